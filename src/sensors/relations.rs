//! What the instruments of a unit say about each other.
//!
//! Each relation is a figure that stays where it is, as long as all its instruments stay as they are: two balances and two
//! pairs of thermometers, which hold by themselves, and three that the membranes may move too. An instrument that steps
//! or drifts moves the relations it is in, in a pattern of its own.

use crate::log::Column;
use crate::normalise::driving_pressure::LogMean;
use crate::number::Number;
use crate::site::Site;
use crate::water::viscosity;

/// The instruments: where a stream's conductivity is measured, it stands in the place of its dissolved salt.
pub(super) const INSTRUMENTS: [Column; 12] = [
    Column::FeedFlow,
    Column::PermeateFlow,
    Column::ConcentrateFlow,
    Column::FeedTds,
    Column::PermeateTds,
    Column::ConcentrateTds,
    Column::FeedTemperature,
    Column::FeedPressure,
    Column::ConcentratePressure,
    Column::PermeatePressure,
    Column::PermeateTemperature,
    Column::ConcentrateTemperature,
];
pub(super) const COUNT: usize = INSTRUMENTS.len();

/// The relations.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Relation {
    /// ln(Qf/(Qp + Qc)).
    Water,
    /// ln(Qf Cf/(Qp Cp + Qc Cc)).
    Salt,
    /// Feed less permeate temperature, K/100.
    PermeateThermometer,
    /// Feed less concentrate temperature, K/100.
    ConcentrateThermometer,
    /// ln of the pressure drop at one flow and viscosity: ΔP/(Q̄^m μ^p).
    Drop,
    /// ln of the permeate flow at one driving pressure and temperature.
    Flow,
    /// ln of the salt flow at one concentration and temperature.
    Passage,
}

impl Relation {
    pub const ALL: [Self; 7] = [
        Self::Water,
        Self::Salt,
        Self::PermeateThermometer,
        Self::ConcentrateThermometer,
        Self::Drop,
        Self::Flow,
        Self::Passage,
    ];

    /// Whether the membranes, too, can move it.
    pub fn is_of_membranes(self) -> bool {
        matches!(self, Self::Drop | Self::Flow | Self::Passage)
    }

    pub fn words(self) -> &'static str {
        match self {
            Self::Water => "water balance",
            Self::Salt => "salt balance",
            Self::PermeateThermometer => "feed and permeate temperature",
            Self::ConcentrateThermometer => "feed and concentrate temperature",
            Self::Drop => "pressure drop at one flow",
            Self::Flow => "permeate flow at one driving pressure and temperature",
            Self::Passage => "salt passage at one flow and temperature",
        }
    }
}

/// The relations of one reading; NaN where an instrument is missing. `x` in the order of [`INSTRUMENTS`], canonical units;
/// with `by_gauge` the ninth is a differential pressure, measured by a gauge of its own.
pub(super) fn relations<T: Number>(x: &[T; COUNT], by_gauge: bool, site: &Site) -> [T; 7] {
    let [
        feed,
        made,
        rest,
        feed_salt,
        made_salt,
        rest_salt,
        t,
        pressure,
        behind,
        back,
        made_t,
        rest_t,
    ] = *x;
    let nothing = T::constant(f64::NAN);
    // A NaN is not below anything.
    let or = |of: T, otherwise: T| of.choose_below(f64::INFINITY, of, otherwise);
    let ln = |of: T| of.choose_below(f64::MIN_POSITIVE, nothing, of.ln());
    let water = ln(feed / (made + rest));
    // Of three flows two are enough for what follows.
    let (feed, rest) = (or(feed, made + rest), or(rest, feed - made));
    let salt = ln(feed * feed_salt / (made * made_salt + rest * rest_salt));
    let drop = if by_gauge { behind } else { pressure - behind };
    let mean_flow = (feed + rest) * 0.5;
    let exponents = &site.normalise;
    let of_drop = ln(drop)
        - ln(mean_flow) * exponents.differential_pressure_flow_exponent
        - ln(viscosity::unchecked(t)) * exponents.differential_pressure_viscosity_power;
    let recovery = made / feed;
    let mean_salt = feed_salt * recovery.by(LogMean);
    let basis = site.salinity.basis;
    let ([of_feed], [of_made]) = basis.osmotic_pressures(&[t], &[mean_salt], &[made_salt]);
    // Without a second gauge the drop is left out: it is small beside the pressure, and does not step by itself.
    let half_drop = or(drop, T::constant(0.0)) * 0.5;
    let driving = pressure - half_drop - or(back, T::constant(0.0)) - of_feed + of_made;
    let [factor] = site.temperature.factors(&[t]);
    let [salt_factor] = site.salt_law().factors(&[t]);
    let flow = ln(made / (driving * factor));
    let passage = ln(made * made_salt / (mean_salt * salt_factor));
    [
        water,
        salt,
        (t - made_t) * 0.01,
        (t - rest_t) * 0.01,
        if site.recycle { nothing } else { of_drop },
        if site.recycle { nothing } else { flow },
        if site.recycle { nothing } else { passage },
    ]
}
