"""How the command refuses input: each fault in the command's own words."""

from __future__ import annotations

import json
import re
import sys


def refuse(refusal: ValueError, *, as_json: bool) -> int:
    """Says why the input was refused, on standard error or as JSON; returns the exit status."""
    faults = getattr(refusal, "faults", [])
    if as_json:
        listed = [
            {
                "file": fault.file,
                "row": fault.row,
                "line": fault.line,
                "column": fault.column,
                "value": fault.value,
                "problem": fault.problem,
                "remedy": fault.remedy,
            }
            for fault in faults
        ]
        print(
            json.dumps(
                {"refused": type(refusal).__name__, "message": str(refusal), "faults": listed},
                indent=2,
            )
        )
    else:
        print(f"brinemark: {_in_the_command(str(refusal))}", file=sys.stderr)
    return 1


def _in_the_command(message: str) -> str:
    """A message of the library, with the command's options in place of Python's arguments."""
    for python, option in (
        (r'columns=\{"([^"]+)": None\}', r"--leave-out '\1'"),
        (r'columns=\{"([^"]+)": \["([^"]+)", "([^"]+)"\]\}', r"--column '\1=\2' --column '\1=\3'"),
        (r'columns=\{"([^"]+)": "([^"]+)"\}', r"--column '\1=\2'"),
        (r'units=\{"([^"]+)": "([^"]+)"\}', r"--unit '\1=\2'"),
        (r'tz="([^"]+)"', r"--tz \1"),
        (r"leave it out with None", "leave it out with --leave-out"),
    ):
        message = re.sub(python, option, message)
    # What is left are settings, with a value or named alone.
    message = re.sub(rf'\b({_SETTINGS})=(True|"[^"]*"|\w+)', _option, message)
    return re.sub(r"\b(time_format|time_label|clock_change|header_row)\b", _option, message)


_SETTINGS = "time_format|time_label|interval|clock_change|separator|decimal|sheet|header_row|units_row|sort"


def _option(setting: re.Match[str]) -> str:
    name, *value = setting.groups()
    return " ".join([f"--{name.replace('_', '-')}", *(word for word in value if word != "True")])
