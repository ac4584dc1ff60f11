"""``python -m trialkit.demo DEST`` writes the demo trials again, byte for byte."""

from __future__ import annotations

import sys
from pathlib import Path

from trialkit.demo import write_demo
from trialkit.errors import TrialkitError

if __name__ == "__main__":
    if len(sys.argv) != 2:
        sys.exit("usage: python -m trialkit.demo DEST")
    try:
        for folder in write_demo(Path(sys.argv[1])):
            print(folder)
    except TrialkitError as error:
        sys.exit(str(error))
