"""How big a unit a demand needs, through the year."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from brinemark import _core
from brinemark.trends import _estimate

if TYPE_CHECKING:
    from collections.abc import Mapping

    from brinemark import Report


def size(site: _core.Site, demand: _core.Demand, *, level: float = 0.90) -> _core.Sizing:
    """Holds a unit against a demand, month by month, and finds the smallest unit that meets every month.

    Qp = unit at the pressure limit, by the membrane model (`predict`), with A = A_rated (1 - loss)^years
        (1 - fouling) and B = B_rated (1 + growth)^years, in each month's water, over the hours it may run

    site : Site, with the element's rating, stages and the high limit of feed_pressure; it may be only an
        idea. demand : Demand, from a demand file (`Demand.template()` shows every key). level : how often an
        interval shall hold the true figure, 0.5 to 0.999.

    Returns: Sizing, in the units of the demand file. The size needed is found by the model, whole vessels of
        the same kind, recycle and set flow growing with them. Beside it: what the rule of thumb of 2 % per
        degF says, and a unit sized for 77 degF all year. An interval is by propagation (JCGM 100) of what
        the site file says its temperature laws, and the demand file the rated flow, may be off by, each
        evenly likely within (u = a/sqrt 3); where neither is told there is none.
    Raises: SiteError naming each key of the rating, or the limit, that is missing; DemandError where the
        model does not hold for a month's water, or nothing comes through at the limit; RangeError.
    Accuracy: as the membrane model's; the allowances are the user's. Whatever else may be off (feed
        temperature, demand, uneven flow among vessels) is in no interval.
    Source: the membrane model (see `predict`); the tank by its balance, minute by minute; pump power as
        flow times pressure over efficiency, as in any textbook; rule of thumb: common practice, no source.

    >>> import brinemark as bm
    >>> site, demand = bm.Site.load(bm.demo.sizing_site_path()), bm.Demand.load(bm.demo.demand_path())
    >>> found = bm.size(site, demand)
    >>> found.present.words, found.proposed.words, found.binding_month
    ('3 vessels of 1', '5 vessels of 1', 'February')
    """
    return _core.size(site, demand, level)


def sizing_report(found: _core.Sizing) -> Report:
    """Makes the page of a sizing: one self-contained HTML file, to be read on a phone or printed.

    found : from `size`.

    Returns: Report; `.save("page.html")` writes it.

    >>> import brinemark as bm
    >>> site, demand = bm.Site.load(bm.demo.sizing_site_path()), bm.Demand.load(bm.demo.demand_path())
    >>> bm.sizing_report(bm.size(site, demand)).html[:15]
    '<!doctype html>'
    """
    from brinemark.page.sizing import sizing_page

    return sizing_page(found)


def summary(found: _core.Sizing) -> dict[str, Any]:
    """A sizing as plain values for JSON, in the units it names."""
    return {
        "site": found.site,
        "demand": found.demand.name,
        "sentence": found.sentence,
        "level": found.level,
        "units": dict(found.units),
        "pressure_limit": found.pressure_limit,
        "binding_month": found.binding_month,
        "area_times": _estimate(found.area_times),
        "rated_flow": _estimate(found.rated_flow),
        "rated_flow_by_2_per_degf": found.rated_flow_by_2_per_degf,
        "rated_flow_by_3_per_degc": found.rated_flow_by_3_per_degc,
        "rated_flow_at_25_degc": found.rated_flow_at_25_degc,
        "share_if_sized_at_25_degc": dict(
            zip(("month", "share"), found.share_if_sized_at_25_degc, strict=True)
        ),
        "present": _unit(found.present),
        "proposed": None if found.proposed is None else _unit(found.proposed),
        "to_be_sure": found.to_be_sure,
        "missing": found.missing,
        "notes": found.notes,
        "cautions": found.cautions,
    }


def _unit(unit: _core.SizedUnit) -> dict[str, Any]:
    return {
        "words": unit.words,
        "stages": [{"vessels": vessels, "elements_per_vessel": each} for vessels, each in unit.stages],
        "elements": unit.elements,
        "area_m2": unit.area_m2,
        "rated_flow": unit.rated_flow,
        "tank": unit.tank,
        "breaks": unit.breaks,
        "months": [_month(month) for month in unit.months],
        "year": _year(unit.year),
        "year_when_new": _year(unit.year_when_new),
    }


def _month(month: _core.SizingMonth) -> dict[str, Any]:
    tank = month.tank
    lasts = month.peak_lasts_h
    return {
        "month": month.name,
        "temperature": month.temperature,
        "feed_tds_mg_l": month.feed_tds_mg_l,
        "needed": month.needed,
        "by_rule_of_thumb": month.by_rule_of_thumb,
        "worn": _standing(month.worn),
        "when_new": _standing(month.when_new),
        "storage_needed": month.storage_needed,
        # JSON knows no infinity: the unit makes as much as the peak draws.
        "peak_lasts_h": None if lasts == float("inf") else lasts,
        "tank": None
        if tank is None
        else {
            "lowest": tank.lowest,
            "lowest_at": tank.lowest_at,
            "hours_run": tank.hours_run,
            "starts": tank.starts,
            "made": tank.made,
            "wanted": tank.wanted,
            "shortfall": tank.shortfall,
            "short": [{"from": start, "to": end} for start, end in tank.short],
            "repeats_after_days": tank.repeats_after_days,
        },
    }


def _standing(of: _core.SizingStanding) -> dict[str, Any]:
    estimates: Mapping[str, _core.Estimate | None] = {
        "capacity": of.capacity,
        "share": of.share,
        "feed_pressure": of.feed_pressure,
        "permeate_flow": of.permeate_flow,
        "permeate_tds_mg_l": of.permeate_tds,
        "power_kw": of.power_kw,
    }
    plain = (
        "stopped_by_limit",
        "hours_a_day",
        "feed_flow",
        "concentrate_flow",
        "differential_pressure",
        "flux_l_m2_h",
        "highest_flux_l_m2_h",
        "highest_element_recovery",
        "vessel_feed_flow",
        "vessel_concentrate_flow",
    )
    return {**_estimates(estimates), **{name: getattr(of, name) for name in plain}}


def _year(of: _core.SizingYear) -> dict[str, Any]:
    return _estimates(
        {
            "permeate": of.permeate,
            "raw_feed": of.raw_feed,
            "reject": of.reject,
            "energy_kwh": of.energy_kwh,
            "energy_kwh_per_m3": of.energy_kwh_per_m3,
            "energy_cost": of.energy_cost,
            "water_cost": of.water_cost,
        }
    )


def _estimates(of: Mapping[str, _core.Estimate | None]) -> dict[str, Any]:
    return {name: None if found is None else _estimate(found) for name, found in of.items()}
