"""How far a log falls short of the record that the standard asks for."""

from __future__ import annotations

from typing import TYPE_CHECKING

from brinemark import _core

if TYPE_CHECKING:
    from brinemark.frames import Log


def completeness(log: Log, site: _core.Site) -> _core.Completeness:
    """Holds a log against the record that the standard asks for (ASTM D4472), and says what it costs.

    log : Log. site : Site.

    An interval (a shift, a day) is asked for where the unit ran for more than half of it; `assumed` says
    what was taken for granted. Costs are found by asking the analyses: what they refuse, what the site file
    assumes in place of a reading, how many rows are set aside. What no log can hold, "cannot be judged".

    Returns: Completeness, with one Requirement a thing asked for.

    >>> log = bm.read_log(bm.demo.log_path())
    >>> found = bm.completeness(log, bm.Site.load(bm.demo.site_path()))
    >>> [asked.verdict for asked in found.requirements if asked.quantity == "permeate pressure"]
    ['missing']
    """
    return _core.completeness(log._core, site)
