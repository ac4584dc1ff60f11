"""The command `trialkit` from its first moment on: it can be stopped while it is being loaded."""

from __future__ import annotations

import os
import signal
import sys


def main() -> None:
    """Run the command line; it ends with its exit code."""
    names = ("SIGINT", "SIGTERM", "SIGHUP")
    numbers = [getattr(signal, name) for name in names if hasattr(signal, name)]
    heard = [n for n in numbers if signal.getsignal(n) is not signal.SIG_IGN]
    for number in heard:
        signal.signal(number, _leave)
    from trialkit.cli import app

    try:
        app()
    finally:  # all is said: what comes now, while Python closes down, needs no words
        for number in heard:
            signal.signal(number, signal.SIG_DFL)


def _leave(number: int, _: object) -> None:
    """End at once. While the command is loaded nothing is there to tidy up yet, and an exception
    might be lost in the library that is being loaded; commands see to signals themselves."""
    ending = sys.modules.get("trialkit.ending")
    said = "Stopped. Nothing was written."
    if written := getattr(ending, "WRITTEN", None):
        from trialkit.words.commands import stopped

        said = stopped(list(map(str, written)))
    os.write(2, f"{said}\n".encode())
    os._exit(128 + number)


if __name__ == "__main__":
    main()
