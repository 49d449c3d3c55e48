//! The membrane behind a reading: the permeabilities and the spacer's friction that explain it.
//!
//! Flow, salt and pressure drop of one reading are three figures, and a membrane is three; the forward model ties them, and
//! Newton's method turns that round. Recovery, recycle and polarisation are then physics, not an average.

use super::operate::solve;
use super::train::{BLOCK, Figures, Fluxes, Inlet, Membrane, Train};
use crate::number::{Dual, Lanes, Number, SideBySide};

/// What a reading shows of the membranes.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Seen<T = f64> {
    /// m3/h.
    pub permeate_flow: T,
    /// mg/L.
    pub permeate_tds: T,
    /// Inlet less concentrate pressure, bar.
    pub differential_pressure: T,
}

/// Steps of Newton's method; four to six are usual.
const MOST_STEPS: usize = 30;
const SMALLEST_STEP: f64 = 1e-11;
/// What a membrane leans on: the five figures of its inlet, the osmotic pressures' share, and itself.
const SLOTS: usize = 9;
/// The slot of the osmotic pressures, and the first of the membrane's.
const OSMOTIC: usize = 5;
const OF_MEMBRANE: usize = 6;

impl Train {
    /// The membrane that explains one reading; `None` where none does.
    ///
    /// The three figures of the membrane are found from the three of the reading by Newton's method with exact derivatives;
    /// put back into the forward model, they give the reading to 1e-10.
    ///
    /// ```
    /// use brinemark::membrane::infer::Seen;
    /// use brinemark::membrane::train::{Inlet, Train};
    /// let text = brinemark::site::TEMPLATE
    ///     .replace("# length", "length").replace("# feed_spacer", "feed_spacer");
    /// let train = Train::new(&brinemark::Site::parse(&text)?, None)?;
    /// let inlet = Inlet { temperature: 18.0, pressure: 14.0, flow: 12.0, tds: 1500.0, permeate_pressure: 0.4 };
    /// let seen = Seen { permeate_flow: 6.0, permeate_tds: 25.0, differential_pressure: 0.6 };
    /// let membrane = train.membrane_behind(&inlet, &seen).expect("a membrane");
    /// assert!((2.0..4.0).contains(&membrane.water_permeability));
    /// # Ok::<(), brinemark::Error>(())
    /// ```
    pub fn membrane_behind(&self, inlet: &Inlet, seen: &Seen) -> Option<Membrane> {
        let block = Seen {
            permeate_flow: Lanes::constant(seen.permeate_flow),
            permeate_tds: Lanes::constant(seen.permeate_tds),
            differential_pressure: Lanes::constant(seen.differential_pressure),
        };
        let found = self.infer(&inlet.map(Lanes::constant), &block);
        let membrane = found.map(|Lanes(figures)| figures[0]);
        let sensible = membrane.water_permeability > 0.0 && membrane.salt_permeability > 0.0;
        sensible.then_some(membrane)
    }

    /// The membranes that explain a block of readings; NaN where none does.
    pub(crate) fn infer(&self, inlet: &Inlet<Figures>, seen: &Seen<Figures>) -> Membrane<Figures> {
        self.infer_from(inlet, seen, &mut Fluxes::of(self))
    }

    /// The same with exact derivatives by whatever the readings lean on. `osmotic` multiplies the osmotic pressures: 1, with
    /// the derivative of their error.
    ///
    /// At the membrane found, F(membrane, reading) = 0; so it changes with the reading by −(∂F/∂membrane)⁻¹ ∂F/∂reading.
    pub(crate) fn infer_leaning<const K: usize>(
        &self,
        inlet: &Inlet<Dual<K, Figures>>,
        seen: &Seen<Dual<K, Figures>>,
        osmotic: &Dual<K, Figures>,
    ) -> Membrane<Dual<K, Figures>> {
        let mut fluxes = Fluxes::of(self);
        let plain = inlet.map(Dual::figure);
        let plain_seen = Seen {
            permeate_flow: seen.permeate_flow.value,
            permeate_tds: seen.permeate_tds.value,
            differential_pressure: seen.differential_pressure.value,
        };
        let found = self.infer_from(&plain, &plain_seen, &mut fluxes);
        let variable =
            |figures: Figures, slot: usize| Dual::<SLOTS, Figures>::variable(figures, slot);
        let pressure = variable(plain.pressure, 1);
        let made = self.pass(
            &Membrane {
                water_permeability: variable(found.water_permeability, OF_MEMBRANE),
                salt_permeability: variable(found.salt_permeability, OF_MEMBRANE + 1),
                spacer_friction: variable(found.spacer_friction, OF_MEMBRANE + 2),
            },
            &Inlet {
                temperature: variable(plain.temperature, 0),
                pressure,
                flow: variable(plain.flow, 2),
                tds: variable(plain.tds, 3),
                permeate_pressure: variable(plain.permeate_pressure, 4),
            },
            variable(Lanes::constant(1.0), OSMOTIC),
            &mut fluxes,
            None,
        );
        let reading: [&Dual<K, Figures>; OF_MEMBRANE] = [
            &inlet.temperature,
            &inlet.pressure,
            &inlet.flow,
            &inlet.tds,
            &inlet.permeate_pressure,
            osmotic,
        ];
        let made = [
            made.permeate_flow,
            made.permeate_tds,
            pressure - made.concentrate_pressure,
        ];
        let seen = [
            &seen.permeate_flow,
            &seen.permeate_tds,
            &seen.differential_pressure,
        ];
        let mut exact = Membrane {
            water_permeability: Dual::fixed(found.water_permeability),
            salt_permeability: Dual::fixed(found.salt_permeability),
            spacer_friction: Dual::fixed(found.spacer_friction),
        };
        for k in 0..K {
            for i in 0..BLOCK {
                let off: [Dual<3>; 3] = std::array::from_fn(|row| {
                    let by_reading: f64 = reading
                        .iter()
                        .zip(made[row].slopes)
                        .map(|(figure, slope)| slope.0[i] * figure.slopes[k].0[i])
                        .sum();
                    Dual {
                        value: by_reading - seen[row].slopes[k].0[i],
                        slopes: std::array::from_fn(|m| made[row].slopes[OF_MEMBRANE + m].0[i]),
                    }
                });
                let [water, salt, friction] = solve(off);
                exact.water_permeability.slopes[k].0[i] = -water;
                exact.salt_permeability.slopes[k].0[i] = -salt;
                exact.spacer_friction.slopes[k].0[i] = -friction;
            }
        }
        exact
    }

    fn infer_from(
        &self,
        inlet: &Inlet<Figures>,
        seen: &Seen<Figures>,
        fluxes: &mut Fluxes,
    ) -> Membrane<Figures> {
        type D = Dual<3, Figures>;
        let fixed = inlet.map(D::fixed);
        let highest = self.basis.tds_range_mg_l().1;
        let mut membrane = self.first_membrane(inlet, seen);
        let mut explains = [false; BLOCK];
        for _ in 0..MOST_STEPS {
            let varied = Membrane {
                water_permeability: D::variable(membrane.water_permeability, 0),
                salt_permeability: D::variable(membrane.salt_permeability, 1),
                spacer_friction: D::variable(membrane.spacer_friction, 2),
            };
            let made = self.pass(&varied, &fixed, D::constant(1.0), fluxes, None);
            let off = [
                made.permeate_flow - D::fixed(seen.permeate_flow),
                made.permeate_tds - D::fixed(seen.permeate_tds),
                fixed.pressure - made.concentrate_pressure - D::fixed(seen.differential_pressure),
            ];
            let mut settled = true;
            for i in 0..BLOCK {
                let step = solve([off[0].one(i), off[1].one(i), off[2].one(i)]);
                // No further than to a third or three times at once.
                let taken = |value: f64, step: f64| {
                    let next = (value - step).max(0.3 * value).min(3.0 * value);
                    let moves = step.abs() > SMALLEST_STEP * value;
                    (if step.is_nan() { step } else { next }, moves)
                };
                let (water, water_moves) = taken(membrane.water_permeability.0[i], step[0]);
                let (salt, salt_moves) = taken(membrane.salt_permeability.0[i], step[1]);
                // A drop near zero has a friction near zero, and its step is no share of it.
                let friction = membrane.spacer_friction.0[i] - step[2];
                let friction_moves = step[2].abs() > SMALLEST_STEP * friction.abs().max(1.0);
                let moves = water_moves | salt_moves | friction_moves;
                settled &= !moves;
                explains[i] = !moves && made.highest_membrane_tds.value.0[i] <= highest;
                membrane.water_permeability.0[i] = water;
                membrane.salt_permeability.0[i] = salt;
                membrane.spacer_friction.0[i] = friction;
            }
            if settled {
                break;
            }
        }
        for i in 0..BLOCK {
            if !explains[i] {
                membrane.water_permeability.0[i] = f64::NAN;
                membrane.salt_permeability.0[i] = f64::NAN;
                membrane.spacer_friction.0[i] = f64::NAN;
            }
        }
        membrane
    }

    /// Where the search starts: the unit as one element at its mean conditions, without polarisation.
    fn first_membrane(&self, inlet: &Inlet<Figures>, seen: &Seen<Figures>) -> Membrane<Figures> {
        let area = self.area_m2();
        let [factor] = self.law.factors(&[inlet.temperature]);
        let [salt_factor] = self.salt_law.factors(&[inlet.temperature]);
        let recovery = seen.permeate_flow / inlet.flow;
        let mean = inlet.tds * (recovery * 0.5 / (-recovery + 1.0) + 1.0);
        let ([of_feed], [of_permeate]) =
            self.basis
                .osmotic_pressures(&[inlet.temperature], &[mean], &[seen.permeate_tds]);
        let flux = seen.permeate_flow * (1000.0 / area);
        let driving =
            inlet.pressure - seen.differential_pressure * 0.5 - inlet.permeate_pressure - of_feed
                + of_permeate;
        let least = inlet.pressure * 0.02;
        let driving = (driving - least).choose_below(0.0, least, driving);
        Membrane {
            water_permeability: flux / (driving * factor),
            salt_permeability: flux * seen.permeate_tds / (mean * salt_factor * 1.2),
            spacer_friction: Lanes::constant(1.0),
        }
    }
}
