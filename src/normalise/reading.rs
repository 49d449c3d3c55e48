//! From the conditions of readings to the figures that are like for like.
//!
//! Readings are worked out a block at a time, one equation to a loop, so that the loops become vector
//! instructions. A single reading is a block of one: there is one path for all.

use super::differential_pressure::factor as differential_pressure_factor;
use super::driving_pressure::{LogMean, net_driving_pressure};
use super::inputs::Analysis;
use super::permeate_flow::{normalised_permeate_flow, water_permeability};
use super::salt_passage::{SaltConditions, normalised_salt_passage, salt_permeability};
use super::temperature::{Law, STANDARD_DEGC};
use crate::error::Error;
use crate::membrane::infer::Seen;
use crate::membrane::recycle;
use crate::membrane::train::{BLOCK, Inlet, Membrane, Train};
use crate::number::{Dual, Lanes, Number, SideBySide};
use crate::screen::Reasons;
use crate::site::Site;
use crate::water::viscosity::{self, Viscosity};
use crate::water::{ZERO_CELSIUS_K, osmotic};

/// What is measured of one stage at one time, canonical units.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Conditions<T = f64> {
    /// Feed temperature, degC.
    pub temperature: T,
    /// Feed pressure, bar.
    pub feed_pressure: T,
    /// Feed less concentrate pressure, bar.
    pub differential_pressure: T,
    /// Permeate pressure, bar.
    pub permeate_pressure: T,
    /// Permeate flow, m3/h.
    pub permeate_flow: T,
    /// Raw feed flow, m3/h.
    pub feed_flow: T,
    /// Concentrate returned, m3/h.
    pub recycle_flow: T,
    /// Salt in the raw feed, mg/L.
    pub feed_tds: T,
    /// Salt in the permeate, mg/L.
    pub permeate_tds: T,
}

/// What follows from the conditions alone, canonical units.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct State<T = f64> {
    /// Permeate flow over raw feed flow.
    pub recovery: T,
    /// Permeate flow over membrane inlet flow.
    pub pass_recovery: T,
    /// Salt at the membranes' inlet, mg/L.
    pub inlet_tds: T,
    /// Log-mean salt along the feed side, mg/L.
    pub mean_feed_tds: T,
    /// Mean of inlet and outlet flow of the feed side, m3/h.
    pub mean_flow: T,
    /// Net driving pressure, bar.
    pub net_driving_pressure: T,
    /// Temperature factor of permeate flow.
    pub temperature_factor: T,
    /// Temperature factor of salt transport.
    pub salt_temperature_factor: T,
}

/// By how much the laws may be off: what a figure depends on beside the conditions.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Laws<T> {
    /// The constant of the law of permeate flow, δK: its factor by exp[δK (1/298.15 − 1/T)].
    pub temperature_k: T,
    /// The constant of the law of salt transport, where it is another.
    pub salt_temperature_k: T,
    /// The osmotic pressures, as a share of themselves.
    pub osmotic_share: T,
}

impl<T: Number> Laws<T> {
    /// All off by the same.
    #[inline(always)]
    pub fn of(figure: T) -> Self {
        Self {
            temperature_k: figure,
            salt_temperature_k: figure,
            osmotic_share: figure,
        }
    }

    /// What an error in a law's constant makes of its factor.
    #[inline(always)]
    pub fn factor(constant_k: T, temperature: T) -> T {
        let standard = 1.0 / (STANDARD_DEGC + ZERO_CELSIUS_K);
        let colder = -(T::constant(1.0) / (temperature + ZERO_CELSIUS_K)) + standard;
        (constant_k * colder).exp()
    }
}

/// The laws and the membranes by which readings are worked out.
#[derive(Debug, Clone)]
pub struct Model {
    law: Law,
    salt_law: Option<Law>,
    temperature_range: (f64, f64),
    basis: osmotic::Basis,
    area_m2: f64,
    elements: f64,
    flow_exponent: f64,
    viscosity_power: f64,
    /// For the membrane model, where that is asked for.
    train: Option<Train>,
}

/// The figures of a reading that are like for like, canonical units.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Figures<T = f64> {
    /// Permeate flow through the area, L/m2/h.
    pub flux: T,
    /// Water permeability at 25 degC, L/m2/h/bar.
    pub water_permeability: T,
    /// Permeate flow at reference conditions, m3/h.
    pub permeate_flow: T,
    /// Salt passage of the reading itself, inlet to permeate.
    pub actual_salt_passage: T,
    /// Salt permeability at 25 degC, L/m2/h.
    pub salt_permeability: T,
    /// Salt passage at reference conditions and the reference's element flow.
    pub salt_passage: T,
    /// Salt passage at reference conditions and the normalised element flow.
    pub salt_passage_at_normalised_flow: T,
    /// Differential pressure at reference flow and temperature, bar.
    pub differential_pressure: T,
}

impl Model {
    /// The model of one stage of a site; `None`: of all its stages together.
    pub fn new(site: &Site, stage: Option<usize>) -> Self {
        let elements = match stage.and_then(|stage| site.stages.get(stage)) {
            Some(stage) => stage.elements(),
            None => site.elements(),
        };
        let (low, high) = site.temperature.range();
        let (salt_low, salt_high) = site.salt_law().range();
        let (osmotic_low, osmotic_high) = site.salinity.basis.temperature_range_degc();
        Self {
            law: site.temperature.clone(),
            salt_law: site.salt_temperature.clone(),
            temperature_range: (
                low.max(salt_low).max(osmotic_low),
                high.min(salt_high).min(osmotic_high),
            ),
            basis: site.salinity.basis,
            area_m2: site.element.area_m2 * f64::from(elements),
            elements: f64::from(elements),
            flow_exponent: site.normalise.differential_pressure_flow_exponent,
            viscosity_power: site.normalise.differential_pressure_viscosity_power,
            train: None,
        }
    }

    /// The same, with the membrane model where the analyses ask for it.
    ///
    /// # Errors
    /// [`Error::Site`] where the site file lacks what that needs.
    pub(crate) fn of_analyses(
        site: &Site,
        stage: Option<usize>,
        analyses: &[Analysis],
    ) -> Result<Self, Error> {
        let train = if analyses.contains(&Analysis::MembraneModel) {
            Some(Train::new(site, stage)?)
        } else {
            None
        };
        Ok(Self {
            train,
            ..Self::new(site, stage)
        })
    }

    /// The membranes behind some readings, NaN where none explains a reading; `None` where the model was not asked for.
    pub(crate) fn membranes<const N: usize>(
        &self,
        at: &Conditions<[f64; N]>,
        state: &State<[f64; N]>,
    ) -> Option<Membrane<[f64; N]>> {
        let train = self.train.as_ref()?;
        let mut found = [f64::NAN; N].map(Membrane::of);
        for start in (0..N).step_by(BLOCK) {
            let (inlet, seen) = of_membranes(at, state, |figures| {
                Lanes(std::array::from_fn(|i| figures[(start + i).min(N - 1)]))
            });
            let block = train.infer(&inlet, &seen);
            for (i, found) in found[start..].iter_mut().take(BLOCK).enumerate() {
                *found = block.map(|Lanes(figures)| figures[i]);
            }
        }
        Some(Membrane::of_each(&found))
    }

    /// The membrane behind one reading.
    pub(crate) fn membrane(&self, at: &Conditions, state: &State) -> Option<Membrane> {
        let (at, state) = (at.map(|figure| [figure]), state.map(|figure| [figure]));
        let found = self.membranes(&at, &state)?;
        Some(found.map(|[figure]| figure))
    }

    /// The same, with exact derivatives by the sources of error.
    pub(crate) fn membranes_leaning<const K: usize, const N: usize>(
        &self,
        at: &Conditions<[Dual<K>; N]>,
        state: &State<[Dual<K>; N]>,
        laws: &[Laws<Dual<K>>; N],
    ) -> Option<Membrane<[Dual<K>; N]>> {
        let train = self.train.as_ref()?;
        let side_by_side = |of: &dyn Fn(usize) -> Dual<K>| Dual {
            value: Lanes(std::array::from_fn(|i| of(i).value)),
            slopes: std::array::from_fn(|k| Lanes(std::array::from_fn(|i| of(i).slopes[k]))),
        };
        let mut found = [Membrane::of(Dual::constant(f64::NAN)); N];
        for start in (0..N).step_by(BLOCK) {
            let place = |i: usize| (start + i).min(N - 1);
            let (inlet, seen) =
                of_membranes(at, state, |figures| side_by_side(&|i| figures[place(i)]));
            let osmotic = side_by_side(&|i| laws[place(i)].osmotic_share + 1.0);
            let block = train.infer_leaning(&inlet, &seen, &osmotic);
            for (i, found) in found[start..].iter_mut().take(BLOCK).enumerate() {
                *found = block.map(|figure| figure.one(i));
            }
        }
        // What a law is off by, the permeability at 25 degC is off by the other way.
        for i in 0..N {
            let of_salt = match self.salt_law {
                Some(_) => laws[i].salt_temperature_k,
                None => laws[i].temperature_k,
            };
            let factor = |constant_k| Laws::factor(constant_k, at.temperature[i]);
            found[i].water_permeability =
                found[i].water_permeability / factor(laws[i].temperature_k);
            found[i].salt_permeability = found[i].salt_permeability / factor(of_salt);
        }
        Some(Membrane::of_each(&found))
    }

    /// What follows from the conditions, or why nothing does.
    ///
    /// # Errors
    /// The [`Reasons`] for which the reading can't be worked out.
    pub fn state(&self, at: &Conditions) -> Result<State, Reasons> {
        let at = at.map(|figure| [figure]);
        let state = self.states(&at, None);
        let reasons = self.screen(&at, &state)[0];
        if reasons.is_empty() {
            Ok(state.map(|[figure]| figure))
        } else {
            Err(reasons)
        }
    }

    /// The figures of a reading at the reference's conditions.
    pub fn figures(
        &self,
        at: &Conditions,
        state: &State,
        reference: &Conditions,
        reference_state: &State,
    ) -> Figures {
        let (at, state) = (at.map(|figure| [figure]), state.map(|figure| [figure]));
        let reference = (
            reference,
            reference_state,
            viscosity::unchecked(reference.temperature),
        );
        self.figures_of(&at, &state, reference)
            .map(|[figure]| figure)
    }

    /// What follows from the conditions of a block of readings, sensible or not.
    #[inline(always)]
    pub(crate) fn states<T: Number, const N: usize>(
        &self,
        at: &Conditions<[T; N]>,
        laws: Option<&[Laws<T>; N]>,
    ) -> State<[T; N]> {
        let zero = [T::constant(0.0); N];
        let mut temperature_factor = self.law.factors(&at.temperature);
        if let Some(laws) = laws {
            for i in 0..N {
                temperature_factor[i] =
                    temperature_factor[i] * Laws::factor(laws[i].temperature_k, at.temperature[i]);
            }
        }
        let mut state = State {
            recovery: zero,
            pass_recovery: zero,
            inlet_tds: zero,
            mean_feed_tds: zero,
            mean_flow: zero,
            net_driving_pressure: zero,
            temperature_factor,
            salt_temperature_factor: match &self.salt_law {
                Some(law) => law.factors(&at.temperature),
                None => temperature_factor,
            },
        };
        if let (Some(laws), Some(_)) = (laws, &self.salt_law) {
            for i in 0..N {
                state.salt_temperature_factor[i] = state.salt_temperature_factor[i]
                    * Laws::factor(laws[i].salt_temperature_k, at.temperature[i]);
            }
        }
        for i in 0..N {
            let inlet = recycle::inlet(
                at.feed_flow[i],
                at.recycle_flow[i],
                at.permeate_flow[i],
                at.feed_tds[i],
                at.permeate_tds[i],
            );
            state.recovery[i] = at.permeate_flow[i] / at.feed_flow[i];
            state.pass_recovery[i] = at.permeate_flow[i] / inlet.flow;
            state.inlet_tds[i] = inlet.tds;
            state.mean_flow[i] = inlet.flow - at.permeate_flow[i] * 0.5;
        }
        for i in 0..N {
            state.mean_feed_tds[i] = state.inlet_tds[i] * state.pass_recovery[i].by(LogMean);
        }
        let (mut mean_feed, mut permeate) =
            self.basis
                .osmotic_pressures(&at.temperature, &state.mean_feed_tds, &at.permeate_tds);
        if let Some(laws) = laws {
            for i in 0..N {
                mean_feed[i] = mean_feed[i] * (laws[i].osmotic_share + 1.0);
                permeate[i] = permeate[i] * (laws[i].osmotic_share + 1.0);
            }
        }
        for i in 0..N {
            state.net_driving_pressure[i] = net_driving_pressure(
                at.feed_pressure[i],
                at.differential_pressure[i],
                at.permeate_pressure[i],
                mean_feed[i],
                permeate[i],
            );
        }
        state
    }

    /// Why readings of a block can't be worked out: the first reason met; empty where they can.
    #[inline(always)]
    pub(crate) fn screen<const N: usize>(
        &self,
        at: &Conditions<[f64; N]>,
        state: &State<[f64; N]>,
    ) -> [Reasons; N] {
        let (low, high) = self.temperature_range;
        let highest = self.basis.tds_range_mg_l().1;
        // Nearly always all are fine, which is asked without a branch. NaN answers no.
        let mut fine = true;
        for i in 0..N {
            fine &= (at.permeate_flow[i] > 0.0)
                & (at.permeate_flow[i] < at.feed_flow[i])
                & (at.recycle_flow[i] >= 0.0)
                & (at.feed_tds[i] > 0.0)
                & (at.permeate_tds[i] >= 0.0)
                & (state.inlet_tds[i] > 0.0)
                & (at.temperature[i] >= low)
                & (at.temperature[i] <= high)
                & (state.mean_feed_tds[i] <= highest)
                & (at.permeate_tds[i] <= highest)
                & (state.net_driving_pressure[i] > 0.0);
        }
        if fine {
            return [Reasons::empty(); N];
        }
        std::array::from_fn(|i| {
            let sum = at.temperature[i]
                + at.feed_pressure[i]
                + at.differential_pressure[i]
                + at.permeate_pressure[i]
                + at.permeate_flow[i]
                + at.feed_flow[i]
                + at.recycle_flow[i]
                + at.feed_tds[i]
                + at.permeate_tds[i];
            if sum.is_nan() {
                Reasons::MISSING
            } else if at.permeate_flow[i] <= 0.0 {
                Reasons::NO_PERMEATE_FLOW
            } else if at.permeate_flow[i] >= at.feed_flow[i] || at.recycle_flow[i] < 0.0 {
                Reasons::IMPOSSIBLE_FLOWS
            } else if at.feed_tds[i] <= 0.0 || at.permeate_tds[i] < 0.0 || state.inlet_tds[i] <= 0.0
            {
                Reasons::IMPOSSIBLE_SALT
            } else if at.temperature[i] < low || at.temperature[i] > high {
                Reasons::TEMPERATURE_OUT_OF_RANGE
            } else if state.mean_feed_tds[i] > highest || at.permeate_tds[i] > highest {
                Reasons::SALT_OUT_OF_RANGE
            } else if state.net_driving_pressure[i] > 0.0 {
                Reasons::empty()
            } else {
                Reasons::NO_DRIVING_PRESSURE
            }
        })
    }

    /// The figures of a block of readings at the conditions of `reference`: conditions, state and viscosity.
    #[inline(always)]
    pub(crate) fn figures_of<T: Number, const N: usize>(
        &self,
        at: &Conditions<[T; N]>,
        state: &State<[T; N]>,
        (reference, reference_state, reference_viscosity): (&Conditions, &State, f64),
    ) -> Figures<[T; N]> {
        let zero = [T::constant(0.0); N];
        let mut figures = Figures {
            flux: zero,
            water_permeability: zero,
            permeate_flow: zero,
            actual_salt_passage: zero,
            salt_permeability: zero,
            salt_passage: zero,
            salt_passage_at_normalised_flow: zero,
            differential_pressure: zero,
        };
        let reference_salt = SaltConditions {
            element_flow: reference.permeate_flow / self.elements,
            salt_temperature_factor: reference_state.salt_temperature_factor,
            mean_feed_tds: reference_state.mean_feed_tds,
            feed_tds: reference_state.inlet_tds,
        };
        for i in 0..N {
            figures.flux[i] = at.permeate_flow[i] * (1000.0 / self.area_m2);
            figures.water_permeability[i] = water_permeability(
                at.permeate_flow[i],
                self.area_m2,
                state.net_driving_pressure[i],
                state.temperature_factor[i],
            );
            figures.permeate_flow[i] = normalised_permeate_flow(
                at.permeate_flow[i],
                state.net_driving_pressure[i],
                state.temperature_factor[i],
                reference_state.net_driving_pressure,
                reference_state.temperature_factor,
            );
        }
        for i in 0..N {
            let actual = SaltConditions {
                element_flow: at.permeate_flow[i] / self.elements,
                salt_temperature_factor: state.salt_temperature_factor[i],
                mean_feed_tds: state.mean_feed_tds[i],
                feed_tds: state.inlet_tds[i],
            };
            let passage = at.permeate_tds[i] / state.inlet_tds[i];
            figures.actual_salt_passage[i] = passage;
            figures.salt_permeability[i] = salt_permeability(
                at.permeate_flow[i],
                at.permeate_tds[i],
                state.mean_feed_tds[i],
                self.area_m2,
                state.salt_temperature_factor[i],
            );
            figures.salt_passage[i] = normalised_salt_passage(passage, &actual, &reference_salt);
            // The same equation with the other element flow: only that term differs.
            figures.salt_passage_at_normalised_flow[i] =
                figures.salt_passage[i] * reference.permeate_flow / figures.permeate_flow[i];
        }
        for i in 0..N {
            figures.differential_pressure[i] = at.differential_pressure[i]
                * differential_pressure_factor(
                    T::constant(reference_state.mean_flow) / state.mean_flow[i],
                    T::constant(reference_viscosity) / at.temperature[i].by(Viscosity),
                    self.flow_exponent,
                    self.viscosity_power,
                );
        }
        figures
    }
}

/// What the membrane model takes of readings, side by side.
fn of_membranes<T: Number, U: Number, const N: usize>(
    at: &Conditions<[T; N]>,
    state: &State<[T; N]>,
    of: impl Fn(&[T; N]) -> U,
) -> (Inlet<U>, Seen<U>) {
    let inlet = Inlet {
        temperature: of(&at.temperature),
        pressure: of(&at.feed_pressure),
        flow: of(&at.feed_flow) + of(&at.recycle_flow),
        tds: of(&state.inlet_tds),
        permeate_pressure: of(&at.permeate_pressure),
    };
    let seen = Seen {
        permeate_flow: of(&at.permeate_flow),
        permeate_tds: of(&at.permeate_tds),
        differential_pressure: of(&at.differential_pressure),
    };
    (inlet, seen)
}

impl<const N: usize> Conditions<[f64; N]> {
    /// The same conditions, missing where a reading was set aside: no membrane is sought for those.
    #[inline(always)]
    pub(crate) fn without(&self, reasons: &[Reasons; N]) -> Self {
        let mut permeate_flow = self.permeate_flow;
        for i in 0..N {
            if !reasons[i].is_empty() {
                permeate_flow[i] = f64::NAN;
            }
        }
        Self {
            permeate_flow,
            ..*self
        }
    }
}

impl<T: Copy, const N: usize> Conditions<[T; N]> {
    /// Puts the conditions of one reading in their place.
    #[inline(always)]
    pub(crate) fn put(&mut self, i: usize, one: &Conditions<T>) {
        self.temperature[i] = one.temperature;
        self.feed_pressure[i] = one.feed_pressure;
        self.differential_pressure[i] = one.differential_pressure;
        self.permeate_pressure[i] = one.permeate_pressure;
        self.permeate_flow[i] = one.permeate_flow;
        self.feed_flow[i] = one.feed_flow;
        self.recycle_flow[i] = one.recycle_flow;
        self.feed_tds[i] = one.feed_tds;
        self.permeate_tds[i] = one.permeate_tds;
    }
}

impl<T: Copy> Conditions<T> {
    /// All the same.
    #[inline(always)]
    pub(crate) fn of(figure: T) -> Self {
        Self {
            temperature: figure,
            feed_pressure: figure,
            differential_pressure: figure,
            permeate_pressure: figure,
            permeate_flow: figure,
            feed_flow: figure,
            recycle_flow: figure,
            feed_tds: figure,
            permeate_tds: figure,
        }
    }

    /// The same conditions, each figure turned into another.
    pub(crate) fn map<U>(&self, mut of: impl FnMut(T) -> U) -> Conditions<U> {
        Conditions {
            temperature: of(self.temperature),
            feed_pressure: of(self.feed_pressure),
            differential_pressure: of(self.differential_pressure),
            permeate_pressure: of(self.permeate_pressure),
            permeate_flow: of(self.permeate_flow),
            feed_flow: of(self.feed_flow),
            recycle_flow: of(self.recycle_flow),
            feed_tds: of(self.feed_tds),
            permeate_tds: of(self.permeate_tds),
        }
    }
}

impl<T: Copy> State<T> {
    fn map<U>(&self, mut of: impl FnMut(T) -> U) -> State<U> {
        State {
            recovery: of(self.recovery),
            pass_recovery: of(self.pass_recovery),
            inlet_tds: of(self.inlet_tds),
            mean_feed_tds: of(self.mean_feed_tds),
            mean_flow: of(self.mean_flow),
            net_driving_pressure: of(self.net_driving_pressure),
            temperature_factor: of(self.temperature_factor),
            salt_temperature_factor: of(self.salt_temperature_factor),
        }
    }
}

impl<T: Copy> Figures<T> {
    fn map<U>(&self, mut of: impl FnMut(T) -> U) -> Figures<U> {
        Figures {
            flux: of(self.flux),
            water_permeability: of(self.water_permeability),
            permeate_flow: of(self.permeate_flow),
            actual_salt_passage: of(self.actual_salt_passage),
            salt_permeability: of(self.salt_permeability),
            salt_passage: of(self.salt_passage),
            salt_passage_at_normalised_flow: of(self.salt_passage_at_normalised_flow),
            differential_pressure: of(self.differential_pressure),
        }
    }
}
