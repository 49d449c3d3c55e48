"""Children that append visits until they are killed, as a test runs it in a process of its own.

    python append_and_die.py FOLDER KILLS SEED

Each child writes down a pipe what was acknowledged to it, and is killed by SIGKILL at a random moment.
Prints, as JSON, the times that were acknowledged, and how many kills there were.
"""

from __future__ import annotations

import json
import os
import random
import signal
import sys
import time

from brinemark import _core

# With all that has to be quoted, and long, so that a write takes its time.
WHO = 'somebody; with, quotes" and a long name: ' + 100 * "x"
# More than a child appends before it is killed.
EACH = 100


def append(folder: str, minute: int) -> str:
    """Appends the visit of a minute, and returns its time."""
    month, day = 1 + minute // 40320, 1 + minute // 1440 % 28
    when = f"2025-{month:02}-{day:02}T{minute // 60 % 24:02}:{minute % 60:02}Z"
    readings = [("feed_pressure", "150 psi"), ("permeate_flow", f"{3 + minute % 100 / 100:.2f} gpm")]
    _core.SiteFolder.open(folder).append(when, readings, WHO, None, 60.0)
    return when


def child(folder: str, first: int) -> tuple[int, int]:
    """Starts a child that appends visits from a minute on; its process, and the end of the pipe to read."""
    reading, writing = os.pipe()
    process = os.fork()
    if process:
        os.close(writing)
        return process, reading
    os.close(reading)
    try:
        for minute in range(first, first + EACH):
            os.write(writing, f"{append(folder, minute)}\n".encode())
    finally:
        os._exit(0)


def acknowledged(reading: int) -> list[str]:
    """What a child told before its end."""
    with open(reading, "rb") as pipe:
        return [line.decode() for line in pipe.read().split(b"\n")[:-1]]


def main(folder: str, kills: int, seed: int) -> None:
    """Kills children one after the other; every tenth time two that write at once."""
    chance = random.Random(seed)
    told: list[str] = []
    killed = 0
    while killed < kills:
        together = 2 if killed % 20 < 2 and killed + 2 <= kills else 1
        children = [child(folder, EACH * (killed + at)) for at in range(together)]
        time.sleep(chance.uniform(0.0, 0.012))
        for process, _ in children:
            os.kill(process, signal.SIGKILL)
        for process, reading in children:
            os.waitpid(process, 0)
            told += acknowledged(reading)
        killed += together
    print(json.dumps({"acknowledged": told, "kills": killed}))


if __name__ == "__main__":
    main(sys.argv[1], int(sys.argv[2]), int(sys.argv[3]))
