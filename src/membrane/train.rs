//! Elements in vessels, vessels in stages: water once through, element by element.

use serde::{Deserialize, Serialize};

use super::channel::Channel;
use super::element::{ElementAt, Stream, Through};
use crate::error::{Error, Fault};
use crate::normalise::temperature::Law;
use crate::number::Number;
use crate::site::{Site, Stage};
use crate::water::osmotic::{Basis, Salt, with_salt};

/// A membrane by what it passes at 25 degC, and how free its feed channel is.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Membrane<T = f64> {
    /// L/m2/h/bar at 25 degC.
    pub water_permeability: T,
    /// L/m2/h at 25 degC.
    pub salt_permeability: T,
    /// The spacer's pressure drop over that of a clean one; 1 when new.
    pub spacer_friction: T,
}

impl<T: Copy, const N: usize> Membrane<[T; N]> {
    /// Membranes whose three figures are all these.
    pub(crate) fn of_block(figures: [T; N]) -> Self {
        Self {
            water_permeability: figures,
            salt_permeability: figures,
            spacer_friction: figures,
        }
    }

    /// One of them.
    pub(crate) fn at(&self, i: usize) -> Membrane<T> {
        Membrane {
            water_permeability: self.water_permeability[i],
            salt_permeability: self.salt_permeability[i],
            spacer_friction: self.spacer_friction[i],
        }
    }

    /// Puts a block of others in, from a place on, as far as there is room.
    pub(crate) fn put<const M: usize>(&mut self, start: usize, block: &Membrane<[T; M]>) {
        for i in 0..M.min(N - start) {
            self.water_permeability[start + i] = block.water_permeability[i];
            self.salt_permeability[start + i] = block.salt_permeability[i];
            self.spacer_friction[start + i] = block.spacer_friction[i];
        }
    }
}

/// Water at the inlet of the first stage's vessels.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Inlet<T = f64> {
    /// degC.
    pub temperature: T,
    /// bar.
    pub pressure: T,
    /// m3/h, of all vessels together, after any recycle has joined.
    pub flow: T,
    /// mg/L.
    pub tds: T,
    /// bar, the same behind all elements.
    pub permeate_pressure: T,
}

/// What the membranes make of it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Made<T = f64> {
    /// m3/h.
    pub permeate_flow: T,
    /// mg/L.
    pub permeate_tds: T,
    /// m3/h, before any of it returns.
    pub concentrate_flow: T,
    /// mg/L.
    pub concentrate_tds: T,
    /// bar.
    pub concentrate_pressure: T,
    /// The most salt at any membrane, mg/L.
    pub highest_membrane_tds: T,
}

/// Stages of vessels of elements, with the laws by which they are worked out.
#[derive(Debug, Clone)]
pub struct Train {
    pub(super) channel: Channel,
    pub(super) area_m2: f64,
    pub(super) stages: Vec<Stage>,
    pub(super) law: Law,
    pub(super) salt_law: Law,
    pub(super) basis: Basis,
}

/// The flux of each element, as last found: where the next search starts.
pub(crate) struct Fluxes(Vec<[f64; BLOCK]>);

impl Fluxes {
    pub fn of(train: &Train) -> Self {
        Self(vec![[f64::NAN; BLOCK]; train.elements_in_series()])
    }
}

/// Cases worked out at a time.
pub(crate) const BLOCK: usize = 16;
/// Steps of Newton's method; five are usual.
const MOST_STEPS: usize = 40;
/// A step this small, as a share of the flux, is the last.
const SMALLEST_STEP: f64 = 1e-12;

impl Train {
    /// The stages of a site, or one of them by its number from 0.
    ///
    /// # Errors
    /// [`Error::Site`] where the site file lacks the element's length or its spacer's thickness.
    pub fn new(site: &Site, stage: Option<usize>) -> Result<Self, Error> {
        let missing = |key: &str, example: &str| {
            Fault::new(
                "missing; the membrane model needs it",
                format!("add {key} = {example}, from the element's data sheet"),
            )
            .at_column(format!("[element] {key}"))
        };
        let element = &site.element;
        let length = element
            .length_m
            .ok_or_else(|| Error::Site(missing("length", "\"1.016 m\"").into()))?;
        let spacer = element
            .feed_spacer_thickness_m
            .ok_or_else(|| Error::Site(missing("feed_spacer_thickness", "\"0.79 mm\"").into()))?;
        let stages = match stage.and_then(|stage| site.stages.get(stage)) {
            Some(stage) => vec![*stage],
            None => site.stages.clone(),
        };
        Ok(Self {
            channel: Channel::new(element.area_m2, length, spacer)?,
            area_m2: element.area_m2,
            stages,
            law: site.temperature.clone(),
            salt_law: site.salt_law().clone(),
            basis: site.salinity.basis,
        })
    }

    /// Membrane area of all elements, m2.
    pub fn area_m2(&self) -> f64 {
        let elements: u32 = self.stages.iter().map(|stage| stage.elements()).sum();
        self.area_m2 * f64::from(elements)
    }

    /// Elements in series, over all stages.
    pub fn elements_in_series(&self) -> usize {
        self.stages
            .iter()
            .map(|stage| stage.elements_per_vessel as usize)
            .sum()
    }

    /// Water once through, for a block of cases; NaN where no flux agrees with its driving pressure.
    ///
    /// Each element's flux is found with plain figures; one last step of Newton's method with the derivatives then
    /// gives it theirs, exactly (implicit differentiation). `osmotic` multiplies the osmotic pressures. `seen`, if given,
    /// gets every element of every case.
    pub(crate) fn pass<T: Number>(
        &self,
        membrane: &Membrane<[T; BLOCK]>,
        inlet: &Inlet<[T; BLOCK]>,
        osmotic: T,
        fluxes: &mut Fluxes,
        seen: Option<&mut Vec<[Through<T>; BLOCK]>>,
    ) -> Made<[T; BLOCK]> {
        with_salt!(self.basis, salt => pulp::Arch::new().dispatch(Pass {
            train: self,
            salt,
            membrane,
            inlet,
            osmotic,
            fluxes,
            seen,
        }))
    }
}

/// [`Train::pass`], compiled once for each salt, kind of number and kind of processor.
struct Pass<'a, S, T> {
    train: &'a Train,
    salt: S,
    membrane: &'a Membrane<[T; BLOCK]>,
    inlet: &'a Inlet<[T; BLOCK]>,
    osmotic: T,
    fluxes: &'a mut Fluxes,
    seen: Option<&'a mut Vec<[Through<T>; BLOCK]>>,
}

impl<S: Salt, T: Number> pulp::WithSimd for Pass<'_, S, T> {
    type Output = Made<[T; BLOCK]>;

    #[inline(always)]
    fn with_simd<P: pulp::Simd>(mut self, _: P) -> Made<[T; BLOCK]> {
        let (train, inlet, membrane) = (self.train, self.inlet, self.membrane);
        let zero = [T::constant(0.0); BLOCK];
        let factors = train.law.factors(&inlet.temperature);
        let salt_factors = train.salt_law.factors(&inlet.temperature);
        let elements: [ElementAt<S, T>; BLOCK] = std::array::from_fn(|i| ElementAt {
            channel: train.channel.at(inlet.temperature[i]),
            salt: self.salt.at(inlet.temperature[i]),
            osmotic: self.osmotic,
            area_m2: train.area_m2,
            water_permeability: membrane.water_permeability[i] * factors[i],
            salt_permeability: membrane.salt_permeability[i] * salt_factors[i],
            spacer_friction: membrane.spacer_friction[i],
            permeate_pressure: inlet.permeate_pressure[i],
        });
        let fixed: [ElementAt<S, f64>; BLOCK] = std::array::from_fn(|i| elements[i].map(T::value));
        let mut streams: [Stream<T>; BLOCK] = std::array::from_fn(|i| Stream {
            flow: inlet.flow[i],
            tds: inlet.tds[i],
            pressure: inlet.pressure[i],
        });
        let (mut permeate_flow, mut permeate_salt, mut highest) = (zero, zero, zero);
        let mut before = [f64::NAN; BLOCK];
        let mut place = 0;
        for stage in &train.stages {
            let vessels = f64::from(stage.vessels);
            for stream in &mut streams {
                stream.flow = stream.flow / vessels;
            }
            for _ in 0..stage.elements_per_vessel {
                let inflows: [Stream<f64>; BLOCK] = std::array::from_fn(|i| streams[i].values());
                let flux = &mut self.fluxes.0[place];
                for i in 0..BLOCK {
                    // The flux last found here, else that of the element before, else one without polarisation.
                    let first = 0.5 * fixed[i].water_permeability * inflows[i].pressure;
                    let guess = if flux[i] > 0.0 { flux[i] } else { before[i] };
                    flux[i] = if guess > 0.0 { guess } else { first };
                }
                let slopes = settle(&fixed, &inflows, flux);
                before = *flux;
                let through: [Through<T>; BLOCK] = std::array::from_fn(|i| {
                    let found = T::constant(flux[i]);
                    let off = elements[i].through(&streams[i], found).residual;
                    elements[i].through(&streams[i], found - off / slopes[i])
                });
                for i in 0..BLOCK {
                    let through = &through[i];
                    permeate_flow[i] = permeate_flow[i] + through.permeate_flow * vessels;
                    permeate_salt[i] =
                        permeate_salt[i] + through.permeate_flow * through.permeate_tds * vessels;
                    if !(through.membrane_tds.value() < highest[i].value()) {
                        highest[i] = through.membrane_tds;
                    }
                    streams[i] = through.outflow;
                }
                if let Some(seen) = &mut self.seen {
                    seen.push(through);
                }
                place += 1;
            }
            for stream in &mut streams {
                stream.flow = stream.flow * vessels;
            }
        }
        Made {
            permeate_flow,
            permeate_tds: std::array::from_fn(|i| permeate_salt[i] / permeate_flow[i]),
            concentrate_flow: std::array::from_fn(|i| streams[i].flow),
            concentrate_tds: std::array::from_fn(|i| streams[i].tds),
            concentrate_pressure: std::array::from_fn(|i| streams[i].pressure),
            highest_membrane_tds: highest,
        }
    }
}

/// Brings each flux to where it agrees with its driving pressure, NaN where there is none; the residuals' slopes.
#[inline(always)]
fn settle<S: Salt>(
    elements: &[ElementAt<S, f64>; BLOCK],
    inflows: &[Stream<f64>; BLOCK],
    fluxes: &mut [f64; BLOCK],
) -> [f64; BLOCK] {
    let mut slopes = [f64::NAN; BLOCK];
    let mut steps = [f64::NAN; BLOCK];
    for _ in 0..MOST_STEPS {
        // NaN counts as settled: nothing will come of it.
        let mut settled = true;
        for i in 0..BLOCK {
            let (next, slope) = elements[i].newton(&inflows[i], fluxes[i]);
            steps[i] = (next - fluxes[i]).abs() / next;
            slopes[i] = slope;
            fluxes[i] = next;
            settled &= !(steps[i] > SMALLEST_STEP);
        }
        if settled {
            break;
        }
    }
    for i in 0..BLOCK {
        if steps[i] > 1e3 * SMALLEST_STEP {
            fluxes[i] = f64::NAN;
        }
    }
    slopes
}
