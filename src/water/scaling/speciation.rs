//! Which share of each ion is free and which is bound in pairs, and what the free ones' activities are.
//!
//! Ion association as PHREEQC does it (D. L. Parkhurst and C. A. J. Appelo, USGS Techniques and Methods 6-A43), with
//! activities by Truesdell and Jones, or Davies.

use super::Water;
use super::minerals::Scale;
use super::species::{
    ACTIVITIES, Activity, CARBONATE, CHARGES, COMPONENTS, HYDROGEN, SPECIES, Species,
};
use crate::error::{Error, Fault};
use crate::water::{ZERO_CELSIUS_K, density};

/// Rounds after which a water that has not settled is given up; usual ones take 15 to 40.
const ROUNDS_MAX: usize = 500;
/// Relative change of the free ions at which they count as settled.
const SETTLED: f64 = 1e-10;

/// A and B of the Debye-Hückel equation at a temperature in degC, per √(mol/kg) and that and Å.
///
/// A = 1.82e6 (ε T)^−1.5, B = 50.3 (ε T)^−0.5, ε = 60954/(T + 116) − 68.937: as Standard Methods 2330 (from memory).
pub(super) fn debye_hueckel(temperature_degc: f64) -> (f64, f64) {
    let t = temperature_degc + ZERO_CELSIUS_K;
    let et = (60_954.0 / (t + 116.0) - 68.937) * t;
    (1.82e6 * et.powf(-1.5), 50.3 * et.powf(-0.5))
}

fn log_activity_coefficient(
    activity: Activity,
    charge: f64,
    (a, b): (f64, f64),
    ionic_strength: f64,
) -> f64 {
    let root = ionic_strength.sqrt();
    match activity {
        Activity::TruesdellJones(size, slope) => {
            -a * charge * charge * root / (1.0 + b * size * root) + slope * ionic_strength
        }
        Activity::Davies => -a * charge * charge * (root / (1.0 + root) - 0.3 * ionic_strength),
        Activity::Neutral => 0.1 * ionic_strength,
    }
}

/// log10 γ by Davies' equation, of an ion with this charge.
pub(super) fn davies(charge: f64, temperature_degc: f64, ionic_strength: f64) -> f64 {
    let constants = debye_hueckel(temperature_degc);
    log_activity_coefficient(Activity::Davies, charge, constants, ionic_strength)
}

/// Activities of the free components of a water.
#[derive(Debug, Clone, Copy)]
pub(super) struct Speciation {
    log_activities: [f64; COMPONENTS],
    log_water: f64,
    temperature_degc: f64,
}

impl Speciation {
    /// log10 of a mineral's ion activity product over its solubility product; −∞ where the water has none of an ion.
    pub fn saturation_index(&self, scale: Scale) -> f64 {
        let product: f64 = scale
            .components()
            .iter()
            .map(|(component, number)| number * self.log_activities[*component])
            .sum();
        product + scale.water() * self.log_water
            - scale.log_solubility_product(self.temperature_degc)
    }

    /// Of a water whose main ions are all known; ions that were not analysed count as none.
    ///
    /// # Errors
    /// [`Error::Analysis`] for an alkalinity that hydroxide and silica alone exceed at this pH, and a water that does not
    /// settle.
    pub fn of(water: &Water) -> Result<Self, Error> {
        // Dissolved salt takes up about 0.3 cm3/g (common practice, no source).
        let water_kg_l = 1e-3
            * density::unchecked(water.temperature_degc)
            * (1.0 - 0.3e-6 * water.dissolved_solids());
        let molar = water.molar();
        let totals: [f64; COMPONENTS] = std::array::from_fn(|at| {
            let amount = molar[at] / water_kg_l;
            if amount.is_nan() { 0.0 } else { amount }
        });
        let constants = debye_hueckel(water.temperature_degc);
        let log_k = SPECIES.map(|species| species.log_k.at(water.temperature_degc));
        let mut free = totals;
        let mut ionic_strength = ionic_strength_of(&totals);
        for _ in 0..ROUNDS_MAX {
            let coefficient = |activity, charge| {
                log_activity_coefficient(activity, charge, constants, ionic_strength)
            };
            let components: [f64; COMPONENTS] =
                std::array::from_fn(|at| coefficient(ACTIVITIES[at], CHARGES[at]));
            // Of each species, log10 of its molality at activities of 1 of its components.
            let at_one: [f64; SPECIES.len()] = std::array::from_fn(|at| {
                let species = &SPECIES[at];
                log_k[at]
                    - f64::from(species.hydrogens) * water.ph
                    - coefficient(species.activity, species.charge())
            });
            let molality = |free: &[f64; COMPONENTS], at: usize| {
                let species = &SPECIES[at];
                let of = |component: Option<usize>| {
                    component.map_or(1.0, |at| free[at] * 10f64.powf(components[at]))
                };
                10f64.powf(at_one[at]) * of(species.cation) * of(species.anion)
            };
            let before = free;
            for component in (0..COMPONENTS).filter(|at| totals[*at] > 0.0) {
                let bound: f64 = (0..SPECIES.len())
                    .filter(|at| SPECIES[*at].contains(component))
                    .map(|at| {
                        let weight = |species: &Species| match component {
                            CARBONATE => species.alkalinity,
                            _ => 1.0,
                        };
                        weight(&SPECIES[at]) * molality(&free, at)
                    })
                    .sum::<f64>()
                    / free[component];
                free[component] = if component == CARBONATE {
                    // All the alkalinity that is not carbonate's.
                    let others: f64 = (0..SPECIES.len())
                        .filter(|at| !SPECIES[*at].contains(CARBONATE))
                        .map(|at| SPECIES[at].alkalinity * molality(&free, at))
                        .sum();
                    let hydrogen = 10f64.powf(-water.ph - coefficient(HYDROGEN, 1.0));
                    let left = totals[CARBONATE] - others + hydrogen;
                    if !(left > 0.0) {
                        return Err(Error::Analysis(
                            Fault::new(
                                "hydroxide and silica alone make more alkalinity at this pH",
                                "pH and alkalinity of the same sample",
                            )
                            .at_column("alkalinity")
                            .with_value(format!(
                                "{:.4} mg/L as CaCO3 at pH {:.2}",
                                water.alkalinity, water.ph
                            ))
                            .into(),
                        ));
                    }
                    left / (2.0 + bound)
                } else {
                    totals[component] / (1.0 + bound)
                };
            }
            let charges: f64 = (0..SPECIES.len())
                .map(|at| SPECIES[at].charge().powi(2) * molality(&free, at))
                .sum();
            ionic_strength = ionic_strength_of(&free) + 0.5 * (charges + 10f64.powf(-water.ph));
            let particles: f64 = free.iter().sum::<f64>()
                + (0..SPECIES.len())
                    .map(|at| molality(&free, at))
                    .sum::<f64>();
            let moved = (0..COMPONENTS)
                .filter(|at| totals[*at] > 0.0)
                .map(|at| (free[at] / before[at] - 1.0).abs())
                .fold(0.0, f64::max);
            if moved < SETTLED {
                return Ok(Self {
                    log_activities: std::array::from_fn(|at| free[at].log10() + components[at]),
                    // Raoult's law, as PHREEQC takes it.
                    log_water: (1.0 - 0.017 * particles).log10(),
                    temperature_degc: water.temperature_degc,
                });
            }
        }
        Err(Error::Analysis(
            Fault::new(
                "the ions of this water do not settle to an equilibrium",
                "check its figures and units",
            )
            .at_column("ions")
            .into(),
        ))
    }
}

fn ionic_strength_of(amounts: &[f64; COMPONENTS]) -> f64 {
    0.5 * amounts
        .iter()
        .zip(CHARGES)
        .map(|(amount, charge)| amount * charge * charge)
        .sum::<f64>()
}
