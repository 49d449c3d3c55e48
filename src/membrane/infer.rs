//! The membrane behind a reading: the permeabilities and the spacer's friction that explain it.
//!
//! Flow, salt and pressure drop of one reading are three figures, and a membrane is three; [`Train::pass`] ties them, and
//! Newton's method turns that round. Recovery, recycle and polarisation are then physics, not an average.

use super::operate::solve;
use super::train::{BLOCK, Fluxes, Inlet, Membrane, Train};
use crate::number::{Dual, Number};

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
    /// The membranes that explain a block of readings; NaN where none does.
    pub(crate) fn infer(
        &self,
        inlet: &Inlet<[f64; BLOCK]>,
        seen: &Seen<[f64; BLOCK]>,
    ) -> Membrane<[f64; BLOCK]> {
        self.infer_from(inlet, seen, &mut Fluxes::of(self))
    }

    /// The same with exact derivatives by whatever the readings lean on. `osmotic` multiplies the osmotic pressures: 1, with
    /// the derivative of their error.
    ///
    /// At the membrane found, F(membrane, reading) = 0; so it changes with the reading by −(∂F/∂membrane)⁻¹ ∂F/∂reading.
    pub(crate) fn infer_leaning<const K: usize>(
        &self,
        inlet: &Inlet<[Dual<K>; BLOCK]>,
        seen: &Seen<[Dual<K>; BLOCK]>,
        osmotic: Dual<K>,
    ) -> Membrane<[Dual<K>; BLOCK]> {
        let mut fluxes = Fluxes::of(self);
        let values = |figures: &[Dual<K>; BLOCK]| figures.map(Dual::value);
        let plain = Inlet {
            temperature: values(&inlet.temperature),
            pressure: values(&inlet.pressure),
            flow: values(&inlet.flow),
            tds: values(&inlet.tds),
            permeate_pressure: values(&inlet.permeate_pressure),
        };
        let plain_seen = Seen {
            permeate_flow: values(&seen.permeate_flow),
            permeate_tds: values(&seen.permeate_tds),
            differential_pressure: values(&seen.differential_pressure),
        };
        let found = self.infer_from(&plain, &plain_seen, &mut fluxes);
        let variable = |figures: &[f64; BLOCK], slot: usize| {
            figures.map(|figure| Dual::<SLOTS>::variable(figure, slot))
        };
        let made = self.pass(
            &Membrane {
                water_permeability: variable(&found.water_permeability, OF_MEMBRANE),
                salt_permeability: variable(&found.salt_permeability, OF_MEMBRANE + 1),
                spacer_friction: variable(&found.spacer_friction, OF_MEMBRANE + 2),
            },
            &Inlet {
                temperature: variable(&plain.temperature, 0),
                pressure: variable(&plain.pressure, 1),
                flow: variable(&plain.flow, 2),
                tds: variable(&plain.tds, 3),
                permeate_pressure: variable(&plain.permeate_pressure, 4),
            },
            Dual::variable(1.0, OSMOTIC),
            &mut fluxes,
            None,
        );
        let mut exact = Membrane {
            water_permeability: found.water_permeability.map(Dual::constant),
            salt_permeability: found.salt_permeability.map(Dual::constant),
            spacer_friction: found.spacer_friction.map(Dual::constant),
        };
        for i in 0..BLOCK {
            let reading: [&Dual<K>; OF_MEMBRANE] = [
                &inlet.temperature[i],
                &inlet.pressure[i],
                &inlet.flow[i],
                &inlet.tds[i],
                &inlet.permeate_pressure[i],
                &osmotic,
            ];
            // Of the pressure drop, the inlet's pressure is one end.
            let drop = Dual::<SLOTS>::variable(plain.pressure[i], 1) - made.concentrate_pressure[i];
            let made = [made.permeate_flow[i], made.permeate_tds[i], drop];
            let seen = [
                &seen.permeate_flow[i],
                &seen.permeate_tds[i],
                &seen.differential_pressure[i],
            ];
            for k in 0..K {
                let off: [Dual<3>; 3] = std::array::from_fn(|row| {
                    let by_reading: f64 = reading
                        .iter()
                        .zip(made[row].slopes)
                        .map(|(figure, slope)| slope * figure.slopes[k])
                        .sum();
                    Dual {
                        value: by_reading - seen[row].slopes[k],
                        slopes: std::array::from_fn(|m| made[row].slopes[OF_MEMBRANE + m]),
                    }
                });
                let [water, salt, friction] = solve(off);
                exact.water_permeability[i].slopes[k] = -water;
                exact.salt_permeability[i].slopes[k] = -salt;
                exact.spacer_friction[i].slopes[k] = -friction;
            }
        }
        exact
    }

    fn infer_from(
        &self,
        inlet: &Inlet<[f64; BLOCK]>,
        seen: &Seen<[f64; BLOCK]>,
        fluxes: &mut Fluxes,
    ) -> Membrane<[f64; BLOCK]> {
        type D = Dual<3>;
        let constant = |figures: &[f64; BLOCK]| figures.map(D::constant);
        let variable =
            |figures: &[f64; BLOCK], slot: usize| figures.map(|figure| D::variable(figure, slot));
        let fixed = Inlet {
            temperature: constant(&inlet.temperature),
            pressure: constant(&inlet.pressure),
            flow: constant(&inlet.flow),
            tds: constant(&inlet.tds),
            permeate_pressure: constant(&inlet.permeate_pressure),
        };
        let highest = self.basis.tds_range_mg_l().1;
        let mut membrane = self.first_membrane(inlet, seen);
        let mut explains = [false; BLOCK];
        for _ in 0..MOST_STEPS {
            let varied = Membrane {
                water_permeability: variable(&membrane.water_permeability, 0),
                salt_permeability: variable(&membrane.salt_permeability, 1),
                spacer_friction: variable(&membrane.spacer_friction, 2),
            };
            let made = self.pass(&varied, &fixed, D::constant(1.0), fluxes, None);
            let mut settled = true;
            for i in 0..BLOCK {
                let off = [
                    made.permeate_flow[i] - seen.permeate_flow[i],
                    made.permeate_tds[i] - seen.permeate_tds[i],
                    fixed.pressure[i]
                        - made.concentrate_pressure[i]
                        - seen.differential_pressure[i],
                ];
                let step = solve(off);
                // No further than to a third or three times at once.
                let taken = |value: f64, step: f64| {
                    let next = (value - step).max(0.3 * value).min(3.0 * value);
                    let moves = step.abs() > SMALLEST_STEP * value;
                    (if step.is_nan() { step } else { next }, moves)
                };
                let (water, water_moves) = taken(membrane.water_permeability[i], step[0]);
                let (salt, salt_moves) = taken(membrane.salt_permeability[i], step[1]);
                // A drop near zero has a friction near zero, and its step is no share of it.
                let friction = membrane.spacer_friction[i] - step[2];
                let friction_moves = step[2].abs() > SMALLEST_STEP * friction.abs().max(1.0);
                let moves = water_moves | salt_moves | friction_moves;
                settled &= !moves;
                explains[i] = !moves && made.highest_membrane_tds[i].value <= highest;
                membrane.water_permeability[i] = water;
                membrane.salt_permeability[i] = salt;
                membrane.spacer_friction[i] = friction;
            }
            if settled {
                break;
            }
        }
        for i in 0..BLOCK {
            if !explains[i] {
                membrane.water_permeability[i] = f64::NAN;
                membrane.salt_permeability[i] = f64::NAN;
                membrane.spacer_friction[i] = f64::NAN;
            }
        }
        membrane
    }

    /// Where the search starts: the unit as one element at its mean conditions, without polarisation.
    fn first_membrane(
        &self,
        inlet: &Inlet<[f64; BLOCK]>,
        seen: &Seen<[f64; BLOCK]>,
    ) -> Membrane<[f64; BLOCK]> {
        let area = self.area_m2();
        let factors = self.law.factors(&inlet.temperature);
        let salt_factors = self.salt_law.factors(&inlet.temperature);
        let mean: [f64; BLOCK] = std::array::from_fn(|i| {
            let recovery = seen.permeate_flow[i] / inlet.flow[i];
            inlet.tds[i] * (1.0 + 0.5 * recovery / (1.0 - recovery))
        });
        let (of_feed, of_permeate) =
            self.basis
                .osmotic_pressures(&inlet.temperature, &mean, &seen.permeate_tds);
        let flux = seen.permeate_flow.map(|flow| 1000.0 * flow / area);
        Membrane {
            water_permeability: std::array::from_fn(|i| {
                let driving = inlet.pressure[i]
                    - 0.5 * seen.differential_pressure[i]
                    - inlet.permeate_pressure[i]
                    - of_feed[i]
                    + of_permeate[i];
                flux[i] / (driving.max(0.02 * inlet.pressure[i]) * factors[i])
            }),
            salt_permeability: std::array::from_fn(|i| {
                flux[i] * seen.permeate_tds[i] / (1.2 * mean[i] * salt_factors[i])
            }),
            spacer_friction: [1.0; BLOCK],
        }
    }
}
