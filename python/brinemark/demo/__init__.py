"""The bundled demo: two years of an invented glasshouse farm's irrigation unit, with known truth.

`make_demo` is the script that made both files, and tells what is true of the plant.
"""

from pathlib import Path

_FOLDER = Path(__file__).parent


def log_path() -> Path:
    """The readings, a CSV file in US units."""
    return _FOLDER / "plant.csv"


def site_path() -> Path:
    """The site file that goes with them."""
    return _FOLDER / "site.toml"
