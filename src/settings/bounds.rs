//! What a setting is held against: the limits of the unit, of its elements, and of the water.

use crate::membrane::extremes::Extremes;
use crate::membrane::operate::Working;
use crate::normalise::inputs::SaltFrom;
use crate::site::Site;
use crate::units::{Quantity, Unit};
use crate::water::scaling::RecoveryLimits;

/// A unit at work, with all that a limit may be about.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Run {
    /// Flows, pressures, salt.
    pub working: Working,
    /// What its hardest-worked elements see.
    pub extremes: Extremes,
    /// Concentrate returned, m3/h.
    pub recycle_flow: f64,
}

/// What a limit is about.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Of {
    /// Pressure at the membranes' inlet.
    FeedPressure,
    /// Pressure of the concentrate at the end of the membranes.
    ConcentratePressure,
    /// The one less the other.
    DifferentialPressure,
    /// Raw feed.
    FeedFlow,
    /// Permeate.
    PermeateFlow,
    /// Concentrate that leaves the unit.
    ConcentrateFlow,
    /// Concentrate returned.
    RecycleFlow,
    /// Permeate over raw feed.
    Recovery,
    /// The highest flux of an element.
    ElementFlux,
    /// The highest recovery of an element.
    ElementRecovery,
    /// The most pressure lost along an element.
    ElementDifferentialPressure,
    /// The most feed into a vessel.
    VesselFeedFlow,
    /// The least concentrate out of a vessel.
    VesselConcentrateFlow,
    /// Salt in the concentrate.
    ConcentrateTds,
    /// Recovery, by the scale of this name.
    Scale(&'static str),
}

impl Of {
    /// In words.
    pub fn words(self) -> String {
        match self {
            Self::FeedPressure => "feed pressure",
            Self::ConcentratePressure => "concentrate pressure",
            Self::DifferentialPressure => "differential pressure",
            Self::FeedFlow => "feed flow",
            Self::PermeateFlow => "permeate flow",
            Self::ConcentrateFlow => "concentrate flow",
            Self::RecycleFlow => "recycle flow",
            Self::Recovery => "recovery",
            Self::ElementFlux => "flux of an element",
            Self::ElementRecovery => "recovery of an element",
            Self::ElementDifferentialPressure => "differential pressure of an element",
            Self::VesselFeedFlow => "feed flow of a vessel",
            Self::VesselConcentrateFlow => "concentrate flow of a vessel",
            Self::ConcentrateTds => "salt in the concentrate",
            Self::Scale(name) => return format!("recovery, for {name}"),
        }
        .to_owned()
    }

    /// Its figure in a unit at work.
    pub fn figure(self, run: &Run) -> f64 {
        let (working, extremes) = (&run.working, &run.extremes);
        match self {
            Self::FeedPressure => working.feed_pressure,
            Self::ConcentratePressure => working.concentrate_pressure,
            Self::DifferentialPressure => working.feed_pressure - working.concentrate_pressure,
            Self::FeedFlow => working.feed_flow,
            Self::PermeateFlow => working.permeate_flow,
            Self::ConcentrateFlow => working.concentrate_flow,
            Self::RecycleFlow => run.recycle_flow,
            Self::Recovery | Self::Scale(_) => working.recovery,
            Self::ElementFlux => extremes.flux,
            Self::ElementRecovery => extremes.element_recovery,
            Self::ElementDifferentialPressure => extremes.element_differential_pressure,
            Self::VesselFeedFlow => extremes.vessel_feed_flow,
            Self::VesselConcentrateFlow => extremes.vessel_concentrate_flow,
            Self::ConcentrateTds => working.concentrate_tds,
        }
    }
}

/// One limit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Bound {
    /// What it is about.
    pub of: Of,
    /// The figure it may just reach, canonical.
    pub limit: f64,
    /// Whether that is the highest allowed, or else the lowest.
    pub is_high: bool,
    /// The unit in which it is told.
    pub unit: &'static Unit,
    /// Where it comes from.
    pub source: &'static str,
}

/// What rounding alone may make of a figure that stands on its limit, as a share.
const SLIP: f64 = 1e-9;

impl Bound {
    /// By how much a unit at work is beyond it, canonical; below zero within it, NaN where that is not known.
    pub fn beyond(&self, run: &Run) -> f64 {
        let figure = self.of.figure(run);
        if self.is_high {
            figure - self.limit
        } else {
            self.limit - figure
        }
    }

    /// Whether a unit at work keeps it, `margin` inside of it.
    pub fn is_kept(&self, run: &Run, margin: f64) -> bool {
        self.beyond(run) + margin <= SLIP * self.limit.abs()
    }

    /// How much of it a unit at work takes up: 1 at the limit, more beyond.
    pub fn share(&self, run: &Run) -> f64 {
        let figure = self.of.figure(run);
        if self.is_high {
            figure / self.limit
        } else {
            self.limit / figure
        }
    }
}

const OF_UNIT: &str = "the unit's limits ([limits] of the site file)";
const OF_ELEMENT: &str = "the element's maker ([element.limits] of the site file)";

/// Ratios are told in per cent, however the file writes them.
fn told_in(unit: &'static Unit) -> &'static Unit {
    match unit.quantity {
        Quantity::Fraction => Unit::parse("%").unwrap_or(unit),
        _ => unit,
    }
}

/// All limits that a site tells and that a setting can keep or break. Its low limit of permeate flow is what is needed of the
/// unit, not what it stands: it is none of them.
pub fn of_site(site: &Site) -> Vec<Bound> {
    let mut bounds = Vec::new();
    let mut push = |of, limit: Option<f64>, is_high, unit, source| {
        if let Some(limit) = limit {
            bounds.push(Bound {
                of,
                limit,
                is_high,
                unit: told_in(unit),
                source,
            });
        }
    };
    for (key, of, only_high) in [
        ("feed_pressure", Of::FeedPressure, true),
        ("concentrate_pressure", Of::ConcentratePressure, false),
        ("differential_pressure", Of::DifferentialPressure, true),
        ("feed_flow", Of::FeedFlow, false),
        ("permeate_flow", Of::PermeateFlow, true),
        ("concentrate_flow", Of::ConcentrateFlow, false),
        ("recycle_flow", Of::RecycleFlow, false),
        ("recovery", Of::Recovery, true),
        ("concentrate_tds", Of::ConcentrateTds, true),
    ] {
        let Some(limit) = site.limits.get(key) else {
            continue;
        };
        push(of, limit.high, true, limit.unit, OF_UNIT);
        // Less pressure, recovery or salt than usual harms nothing.
        if !only_high {
            push(of, limit.low, false, limit.unit, OF_UNIT);
        }
    }
    if let (Some(limit), (_, Some(rule))) = (
        site.limits.get("concentrate_conductivity"),
        SaltFrom::of_stream(crate::log::Column::ConcentrateTds, site),
    ) {
        let high = limit.high.map(|high| rule.tds(high));
        push(
            Of::ConcentrateTds,
            high,
            true,
            Quantity::Concentration.canonical(),
            OF_UNIT,
        );
    }
    let element = &site.element.limits;
    for (of, figure, is_high) in [
        (Of::ElementFlux, element.flux, true),
        (Of::ElementRecovery, element.recovery, true),
        (
            Of::ElementDifferentialPressure,
            element.differential_pressure,
            true,
        ),
        (Of::VesselFeedFlow, element.feed_flow, true),
        (Of::VesselConcentrateFlow, element.concentrate_flow, false),
    ] {
        if let Some(figure) = figure {
            push(of, Some(figure.value), is_high, figure.unit, OF_ELEMENT);
        }
    }
    bounds
}

/// The recovery that each scale allows, as limits.
pub fn of_scaling(limits: &RecoveryLimits) -> impl Iterator<Item = Bound> {
    limits
        .limits
        .iter()
        .filter(|limit| !limit.recovery.is_nan())
        .map(|limit| Bound {
            of: Of::Scale(limit.scale.name()),
            limit: limit.recovery,
            is_high: true,
            unit: told_in(Quantity::Fraction.canonical()),
            source: limit.limit.basis,
        })
}

/// What a site file of a unit might tell, and this one doesn't: nothing is held against it.
pub fn not_told(site: &Site) -> Vec<&'static str> {
    let limit = |key: &str| {
        site.limits
            .get(key)
            .is_some_and(|limit| limit.high.is_some())
    };
    let element = &site.element.limits;
    [
        ("[limits] feed_pressure", limit("feed_pressure")),
        (
            "[limits] differential_pressure",
            limit("differential_pressure"),
        ),
        ("[limits] recovery", limit("recovery")),
        ("[element.limits] flux", element.flux.is_some()),
        ("[element.limits] recovery", element.recovery.is_some()),
        (
            "[element.limits] differential_pressure",
            element.differential_pressure.is_some(),
        ),
        ("[element.limits] feed_flow", element.feed_flow.is_some()),
        (
            "[element.limits] concentrate_flow",
            element.concentrate_flow.is_some(),
        ),
    ]
    .into_iter()
    .filter(|(_, told)| !told)
    .map(|(key, _)| key)
    .collect()
}
