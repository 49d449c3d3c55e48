//! Elements in vessels, vessels in stages: water once through, element by element.

use serde::{Deserialize, Serialize};

use super::channel::{Channel, ChannelAt};
use super::element::{ElementAt, Stream, Through};
use crate::error::{Error, Fault, Faults};
use crate::normalise::temperature::Law;
use crate::number::{Dual, Lanes, Number, SideBySide};
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

impl<T> Inlet<T> {
    /// The same inlet, each figure as another kind of number.
    pub(crate) fn map<U>(self, of: impl Fn(T) -> U) -> Inlet<U> {
        Inlet {
            temperature: of(self.temperature),
            pressure: of(self.pressure),
            flow: of(self.flow),
            tds: of(self.tds),
            permeate_pressure: of(self.permeate_pressure),
        }
    }
}

impl<T: Copy> Membrane<T> {
    /// All three figures the same.
    pub(crate) fn of(figure: T) -> Self {
        Self {
            water_permeability: figure,
            salt_permeability: figure,
            spacer_friction: figure,
        }
    }

    /// Membranes one by one as three rows of figures.
    pub(crate) fn of_each<const N: usize>(each: &[Self; N]) -> Membrane<[T; N]> {
        Membrane {
            water_permeability: std::array::from_fn(|i| each[i].water_permeability),
            salt_permeability: std::array::from_fn(|i| each[i].salt_permeability),
            spacer_friction: std::array::from_fn(|i| each[i].spacer_friction),
        }
    }
}

impl<T> Membrane<T> {
    /// The same membrane, each figure as another kind of number.
    pub(crate) fn map<U>(self, of: impl Fn(T) -> U) -> Membrane<U> {
        Membrane {
            water_permeability: of(self.water_permeability),
            salt_permeability: of(self.salt_permeability),
            spacer_friction: of(self.spacer_friction),
        }
    }
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

impl<T> Made<T> {
    /// The same, each figure as another kind of number.
    pub(crate) fn map<U>(self, of: impl Fn(T) -> U) -> Made<U> {
        Made {
            permeate_flow: of(self.permeate_flow),
            permeate_tds: of(self.permeate_tds),
            concentrate_flow: of(self.concentrate_flow),
            concentrate_tds: of(self.concentrate_tds),
            concentrate_pressure: of(self.concentrate_pressure),
            highest_membrane_tds: of(self.highest_membrane_tds),
        }
    }
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
pub(crate) struct Fluxes(Vec<Figures>);

impl Fluxes {
    pub fn of(train: &Train) -> Self {
        Self(vec![Lanes([f64::NAN; BLOCK]); train.elements_in_series()])
    }
}

/// Cases worked out at a time, side by side.
pub(crate) const BLOCK: usize = 16;
/// One figure of each of them.
pub(crate) type Figures = Lanes<BLOCK>;

/// Steps of Newton's method; four are usual.
const MOST_STEPS: usize = 40;
/// A step this small, as a share of the flux, is the last but one: each step squares what is left, and [`Lift`] takes one more.
const SMALLEST_STEP: f64 = 1e-7;

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
        let mut faults = Faults::default();
        if element.length_m.is_none() {
            faults.push(missing("length", "\"1.016 m\""));
        }
        if element.feed_spacer_thickness_m.is_none() {
            faults.push(missing("feed_spacer_thickness", "\"0.79 mm\""));
        }
        faults.into_result(Error::Site)?;
        // Each is missing only with a fault of its own, and those were just raised.
        let length = element.length_m.unwrap_or(f64::NAN);
        let spacer = element.feed_spacer_thickness_m.unwrap_or(f64::NAN);
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
    pub(crate) fn pass<T: SideBySide<Figure = Figures>>(
        &self,
        membrane: &Membrane<T>,
        inlet: &Inlet<T>,
        osmotic: T,
        fluxes: &mut Fluxes,
        seen: Option<&mut Vec<Through<T>>>,
    ) -> Made<T> {
        with_salt!(self.basis, salt => self.pass_of(salt, membrane, inlet, osmotic, fluxes, seen))
    }

    fn pass_of<S: Salt, T: SideBySide<Figure = Figures>>(
        &self,
        salt: S,
        membrane: &Membrane<T>,
        inlet: &Inlet<T>,
        osmotic: T,
        fluxes: &mut Fluxes,
        mut seen: Option<&mut Vec<Through<T>>>,
    ) -> Made<T> {
        // Of temperature alone: one derivative is enough, and the chain rule gives the others.
        let at = self.at_temperature(salt, inlet.temperature.figure());
        let by_temperature = |found: &Dual<1, Figures>| inlet.temperature.chained(*found);
        let element = ElementAt::<S, T> {
            channel: at.channel.map(by_temperature),
            salt: S::map(&at.salt, by_temperature),
            osmotic,
            area_m2: self.area_m2,
            water_permeability: membrane.water_permeability * by_temperature(&at.factor),
            salt_permeability: membrane.salt_permeability * by_temperature(&at.salt_factor),
            spacer_friction: membrane.spacer_friction,
            permeate_pressure: inlet.permeate_pressure,
        };
        let fixed = element.map(|figure| figure.figure());
        let mut stream = Stream {
            flow: inlet.flow,
            tds: inlet.tds,
            pressure: inlet.pressure,
        };
        let none = T::constant(0.0);
        let (mut permeate_flow, mut permeate_salt, mut highest) = (none, none, none);
        let mut before = Lanes([f64::NAN; BLOCK]);
        let mut fluxes = fluxes.0.iter_mut();
        let arch = pulp::Arch::new();
        for stage in &self.stages {
            let vessels = f64::from(stage.vessels);
            stream.flow = stream.flow / vessels;
            // There is a flux for each element in series.
            for flux in fluxes.by_ref().take(stage.elements_per_vessel as usize) {
                let inflow = stream.map(|figure| figure.figure());
                // The flux last found here, else that of the element before, else one without polarisation.
                let first = fixed.water_permeability * inflow.pressure * 0.5;
                for i in 0..BLOCK {
                    let last = if flux.0[i] > 0.0 {
                        flux.0[i]
                    } else {
                        before.0[i]
                    };
                    flux.0[i] = if last > 0.0 { last } else { first.0[i] };
                }
                let slopes = arch.dispatch(Settle {
                    element: &fixed,
                    inflow: &inflow,
                    flux,
                });
                before = *flux;
                let lift = Lift {
                    element: &element,
                    stream: &stream,
                    flux,
                    slopes: &slopes,
                };
                // With many derivatives there is more to compile than to gain.
                let through = if T::MANY {
                    lift.lifted()
                } else {
                    arch.dispatch(lift)
                };
                permeate_flow = permeate_flow + through.permeate_flow * vessels;
                permeate_salt =
                    permeate_salt + through.permeate_flow * through.permeate_tds * vessels;
                highest = (through.membrane_tds - highest).choose_below(
                    0.0,
                    highest,
                    through.membrane_tds,
                );
                stream = through.outflow;
                if let Some(seen) = &mut seen {
                    seen.push(through);
                }
            }
            stream.flow = stream.flow * vessels;
        }
        Made {
            permeate_flow,
            permeate_tds: permeate_salt / permeate_flow,
            concentrate_flow: stream.flow,
            concentrate_tds: stream.tds,
            concentrate_pressure: stream.pressure,
            highest_membrane_tds: highest,
        }
    }

    /// What follows from temperature alone, with its derivative.
    fn at_temperature<S: Salt>(&self, salt: S, temperature: Figures) -> AtTemperature<S> {
        let temperature = Dual::<1, Figures>::variable(temperature, 0);
        let [factor] = self.law.factors(&[temperature]);
        let [salt_factor] = self.salt_law.factors(&[temperature]);
        AtTemperature {
            channel: self.channel.at(temperature),
            salt: salt.at(temperature),
            factor,
            salt_factor,
        }
    }
}

/// A train's channel, salt and temperature factors.
struct AtTemperature<S: Salt> {
    channel: ChannelAt<Dual<1, Figures>>,
    salt: S::At<Dual<1, Figures>>,
    factor: Dual<1, Figures>,
    salt_factor: Dual<1, Figures>,
}

/// Brings each flux to where it agrees with its driving pressure, NaN where there is none; gives the residuals' slopes.
/// Compiled once for each salt and kind of processor.
struct Settle<'a, S: Salt> {
    element: &'a ElementAt<S, Figures>,
    inflow: &'a Stream<Figures>,
    flux: &'a mut Figures,
}

impl<S: Salt> pulp::WithSimd for Settle<'_, S> {
    type Output = Figures;

    #[inline(always)]
    fn with_simd<P: pulp::Simd>(self, _: P) -> Figures {
        let Self {
            element,
            inflow,
            flux,
        } = self;
        let mut slopes = Lanes([f64::NAN; BLOCK]);
        let mut steps = [f64::NAN; BLOCK];
        for _ in 0..MOST_STEPS {
            for i in 0..BLOCK {
                let element = element.map(|figure| figure.one(i));
                let inflow = inflow.map(|figure| figure.one(i));
                let (next, slope) = element.newton(&inflow, flux.0[i]);
                steps[i] = (next - flux.0[i]).abs() / next;
                slopes.0[i] = slope;
                flux.0[i] = next;
            }
            // NaN counts as settled: nothing will come of it.
            if !steps.iter().any(|step| *step > SMALLEST_STEP) {
                break;
            }
        }
        for i in 0..BLOCK {
            if steps[i] > SMALLEST_STEP {
                flux.0[i] = f64::NAN;
            }
        }
        slopes
    }
}

/// One last step of Newton's method, with the derivatives; and what goes through. Compiled once for each salt, kind of
/// number and kind of processor.
struct Lift<'a, S: Salt, T: Number> {
    element: &'a ElementAt<S, T>,
    stream: &'a Stream<T>,
    flux: &'a Figures,
    slopes: &'a Figures,
}

impl<S: Salt, T: SideBySide> Lift<'_, S, T> {
    #[inline(always)]
    fn lifted(&self) -> Through<T> {
        let mut through = Through::<T>::nothing();
        for i in 0..BLOCK {
            let element = self.element.map(|figure| figure.one(i));
            let stream = self.stream.map(|figure| figure.one(i));
            let found = T::One::fixed(self.flux.0[i]);
            let off = element.through(&stream, found).residual;
            through.put(i, &element.through(&stream, found - off / self.slopes.0[i]));
        }
        through
    }
}

impl<S: Salt, T: SideBySide> pulp::WithSimd for Lift<'_, S, T> {
    type Output = Through<T>;

    #[inline(always)]
    fn with_simd<P: pulp::Simd>(self, _: P) -> Through<T> {
        self.lifted()
    }
}
