"""Guaranteed figures over the period of a warranty."""

from __future__ import annotations

from typing import TYPE_CHECKING

from brinemark import _core

if TYPE_CHECKING:
    import brinemark as bm


def guarantee_courses(
    result: bm.Result, terms: _core.Terms, *, level: float = 0.95
) -> list[_core.GuaranteeCourse]:
    """How each guaranteed figure went over the period, against the contract's line.

    result : Result. terms : Terms. level : how often an interval shall hold the true figure.

    Returns: list of GuaranteeCourse, one for each train and guarantee: the figure at the contract's
        conditions by the contract's own method, over windows as long as the one that the contract judges,
        which is the last. `plot.guarantee` draws it.
    Raises: as `warranty`.

    >>> case = bm.demo.warranty
    >>> log, site = bm.read_log(case.log_path()), bm.Site.load(case.site_path())
    >>> result = bm.normalise(log, site)
    >>> flow = guarantee_courses(result, bm.Terms.load(case.terms_path()))[0]
    >>> flow.key, flow.unit, bool(flow.value[-1] < flow.promised[-1])
    ('guarantee.permeate_flow', 'm3/h', True)
    """
    return _core.guarantee_courses(result._core, terms, level)
