"""The fuzzer by hand: as many inputs as wanted, on several processes, failures kept to be replayed.

    python tests/fuzz/run.py --inputs 100000 --seed 1 --workers 2 --out failures
    python tests/fuzz/run.py --replay tables-1-4711

Every failing input is a folder under --out: its files, and what was raised. It is drawn again from
its name alone.
"""

from __future__ import annotations

import argparse
import re
import signal
import time
import traceback
from collections import Counter
from concurrent.futures import ProcessPoolExecutor, as_completed
from pathlib import Path
from types import FrameType

from inputs import KINDS, draw
from properties import hold

LONGEST = 10
"""s of processor time; an input that takes longer hangs."""
_WAITED = 30 * LONGEST
"""s by the clock, for what waits and computes nothing; long, since others may use the machine."""
_CHUNK = 50


class Hangs(BaseException):
    """An input took longer than `LONGEST`. No Exception: where openpyxl's are taken for damage, one
    that rang there would be one too, and the same file be refused once and read once."""


def _ring(number: int, frame: FrameType | None) -> None:
    raise Hangs(f"longer than {LONGEST} s")


def attempt(kind: str, seed: int, number: int, out: str) -> tuple[str, str]:
    """"read", "refused" or "failed", and the class of the failure."""
    signal.signal(signal.SIGALRM, _ring)
    signal.signal(signal.SIGPROF, _ring)
    given = draw(kind, seed, number)
    _alarms(LONGEST, _WAITED)
    try:
        return hold(given), ""
    except (Exception, Hangs) as error:
        _alarms(0, 0)
        where = traceback.extract_tb(error.__traceback__)
        ours = [f for f in where if "/trialkit/" in f.filename and "/tests/" not in f.filename]
        place = f"{Path(ours[-1].filename).name}:{ours[-1].name}" if ours else where[-1].name
        first = re.sub(r"\d+", "#", (str(error).strip().splitlines() or [""])[0][:100])
        first = first.partition(":")[0] if isinstance(error, AssertionError) else first
        folder = Path(out) / given.name
        folder.mkdir(parents=True, exist_ok=True)
        given.write(folder)
        (folder / "raised.txt").write_text(traceback.format_exc(), errors="backslashreplace")
        return "failed", f"{type(error).__name__} in {place}: {first}"
    finally:
        _alarms(0, 0)


def _alarms(processor: int, clock: int) -> None:
    signal.setitimer(signal.ITIMER_PROF, processor)
    signal.alarm(clock)


def _chunk(kind: str, seed: int, numbers: range, out: str) -> list[tuple[str, str, str]]:
    return [(f"{kind}-{seed}-{k}", *attempt(kind, seed, k, out)) for k in numbers]


def run(inputs: int, seed: int, workers: int, out: str, kinds: tuple[str, ...]) -> int:
    """Try so many inputs, shared out evenly over the kinds; how many failed."""
    each = -(-inputs // len(kinds))
    starts = range(0, each, _CHUNK)
    chunks = [(kind, seed, range(s, min(s + _CHUNK, each)), out) for s in starts for kind in kinds]
    counts: Counter[str] = Counter()
    classes: dict[str, list[str]] = {}
    began = told = time.monotonic()
    with ProcessPoolExecutor(workers) as pool:
        for done in as_completed([pool.submit(_chunk, *chunk) for chunk in chunks]):
            for name, result, failure in done.result():
                counts[result] += 1
                counts["inputs"] += 1
                if failure:
                    classes.setdefault(failure, []).append(name)
                    if len(classes[failure]) == 1:
                        print(f"{name}: {failure}", flush=True)
            if time.monotonic() - told > 10:
                told = time.monotonic()
                print(f"{told - began:7.0f} s  {dict(counts)}", flush=True)
    print(f"{time.monotonic() - began:7.0f} s  {dict(counts)}")
    for failure, names in sorted(classes.items(), key=lambda item: -len(item[1])):
        print(f"{len(names):6}  {failure}  ({', '.join(names[:3])})")
    return counts["failed"]


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--inputs", type=int, default=10_000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--out", default="fuzz-failures", help="folder for failing inputs")
    parser.add_argument("--kinds", nargs="+", choices=KINDS, default=list(KINDS))
    parser.add_argument("--replay", metavar="KIND-SEED-NUMBER", help="one input, its error raised")
    asked = parser.parse_args()
    if asked.replay:
        kind, seed, number = asked.replay.split("-")
        print(hold(draw(kind, int(seed), int(number))))
        return 0
    return 1 if run(asked.inputs, asked.seed, asked.workers, asked.out, tuple(asked.kinds)) else 0


if __name__ == "__main__":
    raise SystemExit(main())
