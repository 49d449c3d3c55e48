"""An invented warranty case with known truth: a linen works and the supplier of its membranes, at odds.

`make_case` is the script that made the files, and tells what is true of the unit.
"""

from pathlib import Path

_FOLDER = Path(__file__).parent


def log_path() -> Path:
    """The readings, two a day, a CSV file."""
    return _FOLDER / "linen.csv"


def site_path() -> Path:
    """The site file that goes with them."""
    return _FOLDER / "site.toml"


def terms_path() -> Path:
    """The terms as the owner reads them."""
    return _FOLDER / "owner.toml"


def other_terms_path() -> Path:
    """The terms as the supplier reads them: another temperature law, another yearly change."""
    return _FOLDER / "supplier.toml"
