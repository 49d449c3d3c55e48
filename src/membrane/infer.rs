//! The membrane behind a reading: the permeabilities and the spacer's friction that explain it.
//!
//! Flow, salt and pressure drop of one reading are three figures, and a membrane is three; [`Train::pass`] ties them, and
//! Newton's method turns that round. Recovery, recycle and polarisation are then physics, not an average.

use super::operate::solve;
use super::train::{Fluxes, Inlet, Membrane, Train};
use crate::number::{Dual, Number};
use crate::water::osmotic::{Salt, with_salt};

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

const MOST_STEPS: usize = 30;
const SMALLEST_STEP: f64 = 1e-11;

impl Train {
    /// The membranes that explain a block of readings; NaN where none does.
    #[inline(always)]
    pub(crate) fn infer<const N: usize>(
        &self,
        inlet: &Inlet<[f64; N]>,
        seen: &Seen<[f64; N]>,
    ) -> Membrane<[f64; N]> {
        with_salt!(self.basis, salt => {
            let mut fluxes = Fluxes::of(self);
            self.infer_with(salt, inlet, seen, &mut fluxes)
        })
    }

    /// The same with exact derivatives of the membrane by whatever the reading depends on.
    ///
    /// At the membrane found, F(membrane, reading) = 0; so the membrane changes with the reading by −(∂F/∂membrane)⁻¹ ∂F/∂reading.
    /// `K` slots are the reading's own; there must be three more, `L` = `K` + 3.
    #[inline(always)]
    pub(crate) fn infer_dual<const K: usize, const L: usize, const N: usize>(
        &self,
        inlet: &Inlet<[Dual<K>; N]>,
        seen: &Seen<[Dual<K>; N]>,
        laws: impl Fn(usize, Membrane<Dual<L>>) -> Membrane<Dual<L>>,
        osmotic_slot: usize,
    ) -> Membrane<[Dual<K>; N]> {
        with_salt!(self.basis, salt => {
            let mut fluxes = Fluxes::of(self);
            let values = Inlet {
                temperature: inlet.temperature.map(Dual::value),
                pressure: inlet.pressure.map(Dual::value),
                flow: inlet.flow.map(Dual::value),
                tds: inlet.tds.map(Dual::value),
                permeate_pressure: inlet.permeate_pressure.map(Dual::value),
            };
            let seen_values = Seen {
                permeate_flow: seen.permeate_flow.map(Dual::value),
                permeate_tds: seen.permeate_tds.map(Dual::value),
                differential_pressure: seen.differential_pressure.map(Dual::value),
            };
            let found = self.infer_with(salt, &values, &seen_values, &mut fluxes);
            let wide = |figure: Dual<K>| Dual::<L> {
                value: figure.value,
                slopes: std::array::from_fn(|k| if k < K { figure.slopes[k] } else { 0.0 }),
            };
            let membranes: [Membrane<Dual<L>>; N] = std::array::from_fn(|i| {
                laws(i, Membrane {
                    water_permeability: Dual::variable(found.water_permeability[i], K),
                    salt_permeability: Dual::variable(found.salt_permeability[i], K + 1),
                    spacer_friction: Dual::variable(found.spacer_friction[i], K + 2),
                })
            });
            let membrane = Membrane {
                water_permeability: membranes.map(|membrane| membrane.water_permeability),
                salt_permeability: membranes.map(|membrane| membrane.salt_permeability),
                spacer_friction: membranes.map(|membrane| membrane.spacer_friction),
            };
            let wide_inlet = Inlet {
                temperature: inlet.temperature.map(wide),
                pressure: inlet.pressure.map(wide),
                flow: inlet.flow.map(wide),
                tds: inlet.tds.map(wide),
                permeate_pressure: inlet.permeate_pressure.map(wide),
            };
            let leaning = crate::water::osmotic::Leaning { salt, slot: osmotic_slot };
            let made = self.pass(leaning, &membrane, &wide_inlet, &mut fluxes, |_, _| {});
            let mut exact = Membrane {
                water_permeability: found.water_permeability.map(Dual::constant),
                salt_permeability: found.salt_permeability.map(Dual::constant),
                spacer_friction: found.spacer_friction.map(Dual::constant),
            };
            for i in 0..N {
                let off = [
                    made.permeate_flow[i] - wide(seen.permeate_flow[i]),
                    made.permeate_tds[i] - wide(seen.permeate_tds[i]),
                    wide_inlet.pressure[i] - made.concentrate_pressure[i]
                        - wide(seen.differential_pressure[i]),
                ];
                for k in 0..K {
                    let by_membrane = off.map(|row| Dual::<3> {
                        value: row.slopes[k],
                        slopes: [row.slopes[K], row.slopes[K + 1], row.slopes[K + 2]],
                    });
                    let [water, salt, friction] = solve(by_membrane);
                    exact.water_permeability[i].slopes[k] = -water;
                    exact.salt_permeability[i].slopes[k] = -salt;
                    exact.spacer_friction[i].slopes[k] = -friction;
                }
            }
            exact
        })
    }

    #[inline(always)]
    fn infer_with<S: Salt, const N: usize>(
        &self,
        salt: S,
        inlet: &Inlet<[f64; N]>,
        seen: &Seen<[f64; N]>,
        fluxes: &mut Fluxes<N>,
    ) -> Membrane<[f64; N]> {
        type D = Dual<3>;
        let constant = |figures: &[f64; N]| figures.map(D::constant);
        let fixed = Inlet {
            temperature: constant(&inlet.temperature),
            pressure: constant(&inlet.pressure),
            flow: constant(&inlet.flow),
            tds: constant(&inlet.tds),
            permeate_pressure: constant(&inlet.permeate_pressure),
        };
        let mut membrane = self.first_membrane(salt, inlet, seen);
        for _ in 0..MOST_STEPS {
            let varied = Membrane {
                water_permeability: std::array::from_fn(|i| {
                    D::variable(membrane.water_permeability[i], 0)
                }),
                salt_permeability: std::array::from_fn(|i| {
                    D::variable(membrane.salt_permeability[i], 1)
                }),
                spacer_friction: std::array::from_fn(|i| {
                    D::variable(membrane.spacer_friction[i], 2)
                }),
            };
            let made = self.pass(salt, &varied, &fixed, fluxes, |_, _| {});
            let mut settled = true;
            for i in 0..N {
                let step = solve([
                    made.permeate_flow[i] - seen.permeate_flow[i],
                    made.permeate_tds[i] - seen.permeate_tds[i],
                    fixed.pressure[i]
                        - made.concentrate_pressure[i]
                        - seen.differential_pressure[i],
                ]);
                let taken = |value: f64, step: f64| {
                    let next = (value - step).max(0.3 * value).min(3.0 * value);
                    (
                        if step.is_nan() { step } else { next },
                        step.abs() > SMALLEST_STEP * value,
                    )
                };
                let (water, water_moved) = taken(membrane.water_permeability[i], step[0]);
                let (salt_permeability, salt_moved) = taken(membrane.salt_permeability[i], step[1]);
                // A drop near zero has a friction near zero, and its step is no share of it.
                let friction = membrane.spacer_friction[i] - step[2];
                let friction_moved = step[2].abs() > SMALLEST_STEP * friction.abs().max(1.0);
                settled &= !(water_moved | salt_moved | friction_moved);
                membrane.water_permeability[i] = water;
                membrane.salt_permeability[i] = salt_permeability;
                membrane.spacer_friction[i] = friction;
            }
            if settled {
                return membrane;
            }
        }
        // Those that have not settled explain nothing: ask once more which.
        self.unsettled(salt, &fixed, seen, membrane, fluxes)
    }

    /// Takes back what does not explain its reading.
    #[inline(always)]
    fn unsettled<S: Salt, const N: usize>(
        &self,
        salt: S,
        inlet: &Inlet<[Dual<3>; N]>,
        seen: &Seen<[f64; N]>,
        mut membrane: Membrane<[f64; N]>,
        fluxes: &mut Fluxes<N>,
    ) -> Membrane<[f64; N]> {
        let fixed = Membrane {
            water_permeability: membrane.water_permeability.map(Dual::constant),
            salt_permeability: membrane.salt_permeability.map(Dual::constant),
            spacer_friction: membrane.spacer_friction.map(Dual::constant),
        };
        let made = self.pass(salt, &fixed, inlet, fluxes, |_, _| {});
        for i in 0..N {
            let flow = made.permeate_flow[i].value / seen.permeate_flow[i] - 1.0;
            let salt = made.permeate_tds[i].value / seen.permeate_tds[i] - 1.0;
            if !(flow.abs() < 1e-9 && salt.abs() < 1e-9) {
                membrane.water_permeability[i] = f64::NAN;
                membrane.salt_permeability[i] = f64::NAN;
                membrane.spacer_friction[i] = f64::NAN;
            }
        }
        membrane
    }

    /// Where the search starts: the unit as one element at its mean conditions, without polarisation.
    #[inline(always)]
    fn first_membrane<S: Salt, const N: usize>(
        &self,
        salt: S,
        inlet: &Inlet<[f64; N]>,
        seen: &Seen<[f64; N]>,
    ) -> Membrane<[f64; N]> {
        let area = self.area_m2();
        let factors = self.law.factors(&inlet.temperature);
        let salt_factors = self.salt_law.factors(&inlet.temperature);
        let mut membrane = Membrane {
            water_permeability: [f64::NAN; N],
            salt_permeability: [f64::NAN; N],
            spacer_friction: [1.0; N],
        };
        for i in 0..N {
            let of_salt = salt.at(inlet.temperature[i]);
            let recovery = seen.permeate_flow[i] / inlet.flow[i];
            let mean = inlet.tds[i] * (1.0 + 0.5 * recovery / (1.0 - recovery));
            let driving = inlet.pressure[i]
                - 0.5 * seen.differential_pressure[i]
                - inlet.permeate_pressure[i]
                - S::osmotic_pressure(&of_salt, mean)
                + S::osmotic_pressure(&of_salt, seen.permeate_tds[i]);
            let flux = 1000.0 * seen.permeate_flow[i] / area;
            membrane.water_permeability[i] =
                flux / (driving.max(0.02 * inlet.pressure[i]) * factors[i]);
            membrane.salt_permeability[i] =
                flux * seen.permeate_tds[i] / (1.2 * mean * salt_factors[i]);
        }
        membrane
    }
}
