"""How far a process grows that reads, screens and normalises a file in blocks; run in a process of its own.

    python screening_memory.py PATH

Prints a number of bytes. Linux only.
"""

from __future__ import annotations

import sys
from pathlib import Path

from memory import resident
from screening_contest import worked

import brinemark as bm


def main() -> None:
    # "5" sets the high-water mark back to what is resident now (proc(5)).
    Path("/proc/self/clear_refs").write_text("5", encoding="ascii")
    before = resident("VmRSS")
    rows = sum(result.rows_used for _, result in worked(bm.scan_log(sys.argv[1], tz="UTC")))
    if rows == 0:
        raise RuntimeError("no row is used")
    print(resident("VmHWM") - before)


if __name__ == "__main__":
    main()
