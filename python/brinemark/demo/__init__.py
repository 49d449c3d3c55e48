"""The bundled demo: two years of an invented glasshouse farm's irrigation unit, with known truth.

`make_demo` is the script that made both files, and tells what is true of the plant. `warranty` is another
invented case, of a guarantee that is claimed on; `sizing/` is a third, a small unit on cold water.
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


def sizing_site_path() -> Path:
    """The site file of a laundry's small unit, to be sized."""
    return _FOLDER / "sizing" / "site.toml"


def demand_path() -> Path:
    """The demand file of that laundry."""
    return _FOLDER / "sizing" / "demand.toml"
