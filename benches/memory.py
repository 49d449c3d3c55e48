"""How much memory one normalisation takes at its height; run by bench.py in a process of its own.

    python memory.py ROWS

Prints three numbers of bytes: what the log holds, what the result adds to it, and by how much the
process grew at its height. Linux only.
"""

from __future__ import annotations

import ctypes
import re
import sys
from pathlib import Path

import numpy as np
from plant import OUTPUTS, SITE, UNITS, readings, times

import brinemark as bm


def resident(field: str) -> int:
    """VmRSS (now) or VmHWM (at its height), in bytes."""
    status = Path("/proc/self/status").read_text(encoding="ascii")
    found = re.search(rf"^{field}:\s+(\d+) kB$", status, flags=re.MULTILINE)
    if found is None:
        raise RuntimeError(f"no {field} in /proc/self/status")
    return 1024 * int(found.group(1))


def main() -> None:
    rows = int(sys.argv[1])
    site = bm.Site.parse(SITE)
    small = {f"{name} [{UNITS[name]}]": values for name, values in readings(64).items()}
    # What is loaded or started once, threads among it, is no part of a normalisation.
    bm.normalise(bm.read_log({"time": times(64), **small}, tz="UTC"), site, screen=False)
    columns = {f"{name} [{UNITS[name]}]": values for name, values in readings(rows).items()}
    log = bm.read_log({"time": times(rows), **columns}, tz="UTC")
    # Pages that are free but still the process's own would hide what the normalisation takes.
    columns.clear()
    trim = getattr(ctypes.CDLL(None), "malloc_trim", None)
    if trim is not None:
        trim(0)
    # "5" sets the high-water mark back to what is resident now (proc(5)).
    Path("/proc/self/clear_refs").write_text("5", encoding="ascii")
    before = resident("VmRSS")
    result = bm.normalise(log, site, screen=False)
    height = resident("VmHWM") - before
    word = np.dtype("float64").itemsize
    held = rows * word * (1 + len(log.columns))
    reasons = rows * 4
    added = rows * word * sum(name in result.columns for name in OUTPUTS) + reasons
    print(held, added, height)


if __name__ == "__main__":
    main()
