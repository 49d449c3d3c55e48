//! What is wanted of the unit, and what its elements may be asked for: the basis of what is set at a start-up.

use serde::Serialize;
use toml::Table;

use super::read::{FLOW_M3_H, PRESSURE_BAR, TDS_MG_L};
use crate::error::Faults;
use crate::keys::{Keys, quantity_of};
use crate::units::{Quantity, Unit};

/// A figure of the file with the unit it is written in.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Figure {
    /// Canonical.
    pub value: f64,
    /// The unit in which the file gives it.
    #[serde(serialize_with = "super::word")]
    pub unit: &'static Unit,
}

/// What the maker of the element allows. What the file doesn't tell is not held against anything.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize)]
pub struct ElementLimits {
    /// The highest flux of any element, L/m2/h.
    pub flux: Option<Figure>,
    /// The highest recovery of any element.
    pub recovery: Option<Figure>,
    /// The most pressure lost along any element, bar.
    pub differential_pressure: Option<Figure>,
    /// The most feed into a vessel, m3/h.
    pub feed_flow: Option<Figure>,
    /// The least concentrate out of a vessel, m3/h.
    pub concentrate_flow: Option<Figure>,
}

/// What is wanted of the unit, unless a day asks for something else.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize)]
pub struct Wanted {
    /// m3/h.
    pub permeate_flow: Option<Figure>,
    /// Permeate over raw feed.
    pub recovery: Option<Figure>,
    /// Concentrate returned ahead of the membranes, m3/h, where it is to be so much and no other.
    pub recycle_flow: Option<Figure>,
    /// The alarm of the permeate's conductivity, as a multiple of what is expected.
    pub quality_alarm: f64,
}

/// The alarm of the permeate's conductivity as a multiple of what is expected: common practice, no source.
const QUALITY_ALARM: f64 = 1.5;
const RECOVERY: (f64, f64) = (1e-3, 0.99);

/// Salt in the raw feed above which concentrate is not to be recycled without a second thought, mg/L: common practice, no
/// source.
pub const RECYCLE_FEED_TDS_MG_L: f64 = 800.0;

pub(super) fn element_limits(table: Option<&Table>, faults: &mut Faults) -> ElementLimits {
    let mut keys = Keys::new("[element.limits]", table);
    let limits = ElementLimits {
        flux: figure(&mut keys, "flux", Quantity::Flux, (1e-3, 1000.0), faults),
        recovery: figure(&mut keys, "recovery", Quantity::Fraction, RECOVERY, faults),
        differential_pressure: figure(
            &mut keys,
            "differential_pressure",
            Quantity::Pressure,
            (1e-3, PRESSURE_BAR.1),
            faults,
        ),
        feed_flow: figure(&mut keys, "feed_flow", Quantity::Flow, FLOW_M3_H, faults),
        concentrate_flow: figure(
            &mut keys,
            "concentrate_flow",
            Quantity::Flow,
            FLOW_M3_H,
            faults,
        ),
    };
    keys.close(faults);
    limits
}

pub(super) fn wanted(table: Option<&Table>, faults: &mut Faults) -> Wanted {
    let mut keys = Keys::new("[settings]", table);
    let wanted = Wanted {
        permeate_flow: figure(
            &mut keys,
            "permeate_flow",
            Quantity::Flow,
            FLOW_M3_H,
            faults,
        ),
        recovery: figure(&mut keys, "recovery", Quantity::Fraction, RECOVERY, faults),
        recycle_flow: figure(
            &mut keys,
            "recycle_flow",
            Quantity::Flow,
            (0.0, FLOW_M3_H.1),
            faults,
        ),
        quality_alarm: keys
            .number("quality_alarm", (1.0, 100.0), faults)
            .unwrap_or(QUALITY_ALARM),
    };
    keys.close(faults);
    wanted
}

/// The salt above which a site doesn't want its concentrate recycled.
pub(super) fn recycle_feed_tds(keys: &mut Keys<'_>, faults: &mut Faults) -> f64 {
    keys.quantity(
        "highest_feed_tds",
        Quantity::Concentration,
        TDS_MG_L,
        faults,
    )
    .unwrap_or(RECYCLE_FEED_TDS_MG_L)
}

fn figure(
    keys: &mut Keys<'_>,
    key: &'static str,
    quantity: Quantity,
    range: (f64, f64),
    faults: &mut Faults,
) -> Option<Figure> {
    let place = keys.at(key);
    let value = keys.value(key)?;
    quantity_of(value, &place, quantity, range, faults).map(|(value, unit)| Figure { value, unit })
}
