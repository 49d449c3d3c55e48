"""The bundled demo: two years of an invented glasshouse farm's irrigation unit, with known truth.

`make_demo` is the script that made both files, and tells what is true of the plant. `warranty` is another
invented case, of a guarantee that is claimed on.
"""

from pathlib import Path

from brinemark.demo import warranty as warranty

_FOLDER = Path(__file__).parent


def log_path() -> Path:
    """The readings, a CSV file in US units."""
    return _FOLDER / "plant.csv"


def site_path() -> Path:
    """The site file that goes with them."""
    return _FOLDER / "site.toml"
