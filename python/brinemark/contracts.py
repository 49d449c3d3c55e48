"""A warranty, judged clause by clause."""

from __future__ import annotations

from typing import TYPE_CHECKING

from brinemark import _core

if TYPE_CHECKING:
    from brinemark.frames import Result


def warranty(
    result: Result,
    terms: _core.Terms,
    *,
    level: float = 0.95,
    risk: float = 0.05,
    override: bool = False,
) -> list[_core.Judgement]:
    """Holds the terms of a warranty against a log: each clause kept, broken, or not to be judged, and why.

    result : Result. terms : Terms, from a terms file (`Terms.template()` shows every key). level : how often
        an interval shall hold the true figure, 0.5 to 0.999. risk : how probable it may be that a verdict is
        wrong, 0.001 to 0.4. override : whether data that doesn't qualify is judged all the same; every output
        then says so.

    Returns: list of Judgement, one a train the terms are for. A guarantee is judged on the last days of the
        period that the log holds, at the contract's own conditions by the contract's own method, and by ours
        beside it (trend, the site's own temperature law). A limit is broken where a reading lies beyond by
        more than the instrument may be off by and scatter, kept where none can, and else not to be judged.
        Too few readings, records thinner than demanded, an unknown accuracy, a calibration overdue, a
        start-up that the log lacks, membranes of mixed ages: refused a verdict.
    Raises: RangeError for settings out of range; TermsError where the period and the log have nothing in
        common, the conditions can't be, or the log has no such train; MissingColumnError, SiteError or
        BaselineError where the contract's own method can't be worked out on this log.
    Accuracy: see `make study-evidence`, which counts on simulated contracts how often a verdict is wrong.
    Source: JCGM 106:2012, conformance probability (7.2), guard bands (8.3) and specific risks.

    This is evidence for people and their lawyers, not a ruling.

    >>> import brinemark as bm
    >>> result = bm.normalise(bm.read_log(bm.demo.log_path()), bm.Site.load(bm.demo.site_path()))
    >>> terms = bm.Terms.parse('''
    ...     [warranty]
    ...     name = "Limits alone"
    ...     period = "1 year"
    ...     start_up = "2024-04-01T00:00Z"
    ...     replacements = "refused"
    ...     [limit.feed_pressure]
    ...     high = "300 psi"
    ... ''')
    >>> bm.warranty(result, terms)[0].clause("limit.feed_pressure").verdict
    'kept'
    """
    return _core.warranty(result._core, terms, level, risk, override)
