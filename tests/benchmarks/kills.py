"""What is left behind when a command is stopped: processes, temporary files, drafts, half a set.

    python tests/benchmarks/kills.py --moments 0.3,1,2,4,8 -- report --for researcher --pdf

Linux only. Ends a command by each signal at each moment, and prints what it said and left.
A moment is in seconds from the start, or from when such a file is there, by where the command
runs: ``tmp/trialkit-*/kernel.json+2``, ``.writing-*``. Ctrl-C goes to the whole group of
processes, as a terminal sends it; other signals to the command alone. With ``--again`` the command
is then run to its end in the same place, and what is left then is counted: leftovers of a killed
run are to be swept by the next.
"""

from __future__ import annotations

import argparse
import os
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path

DEMO = Path(__file__).parents[2] / "data_demo" / "cushion_pairs"
SIGNALS = {"INT": signal.SIGINT, "TERM": signal.SIGTERM, "HUP": signal.SIGHUP,
           "KILL": signal.SIGKILL}  # fmt: skip
GRACE = 5.0  # s that helpers have to end in after their parent


def processes_of(mark: str) -> list[int]:
    """Processes, zombies left out, that were started with this text in their environment."""
    found = []
    for path in Path("/proc").glob("[0-9]*/environ"):
        try:
            if mark.encode() in path.read_bytes() and int(path.parent.name) != os.getpid():
                found.append(int(path.parent.name))
        except OSError:
            continue
    return found


def command_line(place: Path, arguments: list[str]) -> list[str]:
    start = [sys.executable, "-m", "trialkit"]
    word, *rest = arguments
    if word in ("report", "header"):
        return [*start, word, str(place / "trial"), "--out", str(place / "out"), *rest]
    if word == "analyse":
        return [*start, word, str(place / "trial"), "--out", str(place / "out")]
    if word == "cards":
        return [*start, word, str(place / "trial"), "--out", str(place / "out"), *rest]
    if word in ("demo", "new"):
        return [*start, word, str(place / "out"), *rest]
    return [*start, *arguments]


def listed(folder: Path) -> list[str]:
    return sorted(str(p.relative_to(folder)) for p in folder.rglob("*")) if folder.exists() else []


def kill_once(
    place: Path, arguments: list[str], name: str, moment: str
) -> tuple[int, list[str], list[int], list[str], str]:
    """Exit code, files in the temporary folder, processes, files beside the trial, words."""
    scratch = place / "tmp"
    scratch.mkdir(exist_ok=True)
    before = set(listed(place / "trial"))
    mark = f"KILLED={place.name}"
    key, value = mark.split("=")
    environment = {**os.environ, "TMPDIR": str(scratch), key: value}
    with open(place / "said", "w+b") as said:
        run = subprocess.Popen(
            command_line(place, arguments), env=environment, cwd=place, stdout=subprocess.DEVNULL,
            stderr=said, start_new_session=True,
        )  # fmt: skip
        pattern, _, seconds = moment.rpartition("+") if "*" in moment else ("", "", moment)
        if "*" in seconds:
            pattern, seconds = seconds, "0"
        while pattern and run.poll() is None and not any(place.glob(pattern)):
            time.sleep(0.01)
        try:
            run.wait(float(seconds))
        except subprocess.TimeoutExpired:
            if name == "INT":
                os.killpg(run.pid, signal.SIGINT)
            else:
                run.send_signal(SIGNALS[name])
        try:
            run.wait(60)
        except subprocess.TimeoutExpired:
            run.kill()
        end = time.monotonic() + GRACE
        while (left := processes_of(mark)) and time.monotonic() < end:
            time.sleep(0.1)
        for pid in left:
            os.kill(pid, signal.SIGKILL)
        said.seek(0)
        words = said.read().decode(errors="replace").strip().splitlines()
    new = sorted(set(listed(place / "trial")) - before)
    left_files = [p for p in listed(place) if p.split("/")[0] not in ("trial", "tmp", "said")]
    told = " | ".join(line for line in words if " s  " not in line)
    temporary = [p for p in listed(scratch) if "/" not in p]
    return run.returncode, temporary, left, new + left_files, told


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--moments", default="0.2,0.5,1,2,4,8")
    parser.add_argument("--signals", default="INT,TERM,HUP,KILL")
    parser.add_argument("--again", action="store_true")
    parser.add_argument("arguments", nargs="+")
    asked = parser.parse_args()
    total = [0, 0, 0, 0]
    for name in asked.signals.split(","):
        for moment in asked.moments.split(","):
            with tempfile.TemporaryDirectory(prefix="kills-") as folder:
                place = Path(folder)
                shutil.copytree(DEMO, place / "trial")
                code, temporary, processes, files, told = kill_once(
                    place, asked.arguments, name, moment
                )
                print(f"{name:4} at {moment} s: exit {code}, {len(processes)} processes, "
                      f"{temporary} left in the temporary folder, files {files[:6]}; {told[:300]}",
                      flush=True)  # fmt: skip
                counts = (1, len(processes) > 0, len(temporary) > 0, "Traceback" in told)
                total = [a + b for a, b in zip(total, counts, strict=True)]
                if asked.again:
                    again = kill_once(place, asked.arguments, "INT", "600")
                    print(f"      again: exit {again[0]}, {again[1]} left, files {again[3][:6]}")
    print(f"{total[0]} kills: {total[1]} left processes, {total[2]} left temporary files, "
          f"{total[3]} printed a traceback")  # fmt: skip


if __name__ == "__main__":
    main()
