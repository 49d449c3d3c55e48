//! The ions of a water analysis, by Pitzer's equation for mixtures.

mod parameters;

use serde::{Serialize, Serializer};

use self::parameters::{
    ANION_CHARGES, ANION_CM3_MOL, ANION_G_MOL, ANION_PAIRS, ANIONS, BETA0, BETA1, BETA2, C_PHI,
    CATION_CHARGES, CATION_CM3_MOL, CATION_G_MOL, CATION_PAIRS, CATIONS, Parameter, SILICA_CM3_MOL,
    SILICA_G_MOL,
};
use super::sodium_chloride::SodiumChlorideAt;
use super::{GAS_CONSTANT, Salt, TEMPERATURE_RANGE_DEGC};
use crate::error::Fault;
use crate::number::Number;
use crate::water::density;

/// Ionic strength up to which the mixture is taken, mol/kg: that of the checks of single salts of two charges, and
/// twice that of seawater at 70 g/kg, to which the mixture is checked.
const IONIC_STRENGTH_MAX: f64 = 3.0;
/// How far the charges of an analysis may be apart, of their mean (common practice, no source: analyses within 5 % are
/// good, beyond 10 % something is missing).
const CHARGES_APART_MAX: f64 = 0.1;
/// Volume by which the ions' charges add to their own volumes, cm3 a litre at an ionic strength of 1 mol/L
/// (F. J. Millero, Chem. Rev. 71 (1971) 147, from memory).
const DEBYE_HUECKEL_CM3: f64 = 1.868;

/// A water analysis, mg/L of each. `None` is a figure that is missing; what was looked for and not found is 0.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct WaterAnalysis {
    /// Na+, mg/L.
    pub sodium: Option<f64>,
    /// K+, mg/L.
    pub potassium: Option<f64>,
    /// Mg2+, mg/L.
    pub magnesium: Option<f64>,
    /// Ca2+, mg/L.
    pub calcium: Option<f64>,
    /// Cl−, mg/L.
    pub chloride: Option<f64>,
    /// SO4 2−, mg/L.
    pub sulfate: Option<f64>,
    /// HCO3−, mg/L (as the ion: alkalinity in mg/L of CaCO3 × 1.22).
    pub bicarbonate: Option<f64>,
    /// Dissolved silica, mg/L as SiO2. The one figure that may be left out, and then is none.
    pub silica: Option<f64>,
}

impl WaterAnalysis {
    /// The names of the figures, in order.
    pub const NAMES: [&'static str; 8] = [
        "sodium",
        "potassium",
        "magnesium",
        "calcium",
        "chloride",
        "sulfate",
        "bicarbonate",
        "silica",
    ];

    /// The analysis with these figures, in the order of [`WaterAnalysis::NAMES`].
    pub fn from_figures(figures: [Option<f64>; 8]) -> Self {
        let [
            sodium,
            potassium,
            magnesium,
            calcium,
            chloride,
            sulfate,
            bicarbonate,
            silica,
        ] = figures;
        Self {
            sodium,
            potassium,
            magnesium,
            calcium,
            chloride,
            sulfate,
            bicarbonate,
            silica,
        }
    }

    /// The analysis with these figures, each with its name.
    ///
    /// # Errors
    /// A [`Fault`] for a name that is not one of [`WaterAnalysis::NAMES`].
    pub fn from_names(given: impl IntoIterator<Item = (String, f64)>) -> Result<Self, Fault> {
        let mut figures = [None; 8];
        for (name, figure) in given {
            let Some(at) = Self::NAMES.iter().position(|known| *known == name) else {
                return Err(Fault::new(
                    "not one of an analysis",
                    format!("one of: {}", Self::NAMES.join(", ")),
                )
                .at_column("ions")
                .with_value(name));
            };
            figures[at] = Some(figure);
        }
        Ok(Self::from_figures(figures))
    }

    fn figures(&self) -> [Option<f64>; 8] {
        [
            self.sodium,
            self.potassium,
            self.magnesium,
            self.calcium,
            self.chloride,
            self.sulfate,
            self.bicarbonate,
            self.silica,
        ]
    }
}

/// An analysis whose proportions stand for all waters of a unit, with the sums of Pitzer's equation over its ions
/// worked out for a gram of salt, so that what is left for each reading is plain arithmetic.
///
/// The salt of a reading, in mg/L, is the sum of the ions with bicarbonate as the ion. (A residue dried at 180 degC has
/// lost half of the bicarbonate.) A permeate has other proportions than its feed; it has little osmotic pressure too.
///
/// Accuracy in the composition of seawater, beside [`seawater_osmotic_pressure`](super::seawater_osmotic_pressure):
/// within 0.5 % from 0.1 to 70 g/kg and 5 to 35 degC, within 0.8 % at 0 to 50 degC, and 1.6 % too low at 115 g/kg and
/// 50 degC. Beside handbook osmotic coefficients at 25 degC: within 0.3 %, of dilute magnesium sulfate 2 %.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct IonTable {
    analysis: [f64; 8],
    /// mol of ions and silica.
    particles: f64,
    /// mol of charges of both signs, Σ n |z|.
    charges: f64,
    /// ½ Σ n z², mol.
    ionic_strength: f64,
    /// cm3, without the part of the charges.
    volume: f64,
    /// Products of mol over pairs of a cation and an anion: sodium with chloride by itself, then the sums with each
    /// parameter.
    sodium_chloride: f64,
    beta0: Parameter,
    beta1: Parameter,
    /// β1 of two ions of two charges, which falls off more slowly.
    beta1_two_two: Parameter,
    beta2: Parameter,
    /// Cφ/(2 √(z z')).
    c: Parameter,
    /// Over pairs and triples of ions of like sign.
    theta: f64,
    psi: f64,
    /// Products over pairs of like sign and unlike charge, with their charges.
    unsymmetrical: f64,
    tds_max: f64,
}

impl Serialize for IonTable {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_map(WaterAnalysis::NAMES.iter().zip(self.analysis))
    }
}

impl IonTable {
    /// The analysis it was made of, mg/L, in the order of [`WaterAnalysis::NAMES`].
    pub(crate) fn analysis(&self) -> WaterAnalysis {
        WaterAnalysis::from_figures(self.analysis.map(Some))
    }

    /// The table of an analysis.
    ///
    /// # Errors
    /// A [`Fault`] for a figure that is missing or below 0, an analysis without a cation or an anion, or one whose
    /// charges are more than 10 % apart (of their mean).
    ///
    /// ```
    /// use brinemark::water::{IonTable, WaterAnalysis};
    /// let analysis = WaterAnalysis {
    ///     sodium: Some(120.0),
    ///     potassium: Some(6.0),
    ///     magnesium: Some(30.0),
    ///     calcium: Some(95.0),
    ///     chloride: Some(180.0),
    ///     sulfate: Some(160.0),
    ///     bicarbonate: Some(250.0),
    ///     silica: Some(18.0),
    /// };
    /// assert!(IonTable::new(&analysis).is_ok());
    /// let without = WaterAnalysis { chloride: Some(0.0), ..analysis };
    /// let fault = IonTable::new(&without).unwrap_err().to_string();
    /// assert!(fault.contains("cations 12.58 meq/L, anions 7.43 meq/L"), "{fault}");
    /// ```
    pub fn new(analysis: &WaterAnalysis) -> Result<Self, Fault> {
        let mut figures = [0.0; 8];
        for (at, given) in analysis.figures().into_iter().enumerate() {
            let name = WaterAnalysis::NAMES[at];
            figures[at] = match given {
                Some(figure) if figure >= 0.0 && figure.is_finite() => figure,
                Some(figure) if !figure.is_nan() => {
                    return Err(Fault::new("not a content", "0 mg/L or more")
                        .at_column(format!("ions.{name}"))
                        .with_value(format!("{figure} mg/L")));
                }
                None if name == "silica" => 0.0,
                _ => {
                    return Err(
                        Fault::new("missing", "its mg/L; 0 if it was looked for in vain")
                            .at_column(format!("ions.{name}")),
                    );
                }
            };
        }
        // mol in a litre for now: mg/L over mg/mol.
        let cations: [f64; CATIONS] = std::array::from_fn(|i| figures[i] / (1e3 * CATION_G_MOL[i]));
        let anions: [f64; ANIONS] =
            std::array::from_fn(|i| figures[CATIONS + i] / (1e3 * ANION_G_MOL[i]));
        let silica = figures[CATIONS + ANIONS] / (1e3 * SILICA_G_MOL);
        let positive = sum(&cations, &CATION_CHARGES);
        let negative = sum(&anions, &ANION_CHARGES);
        let apart = (positive - negative).abs() > CHARGES_APART_MAX * 0.5 * (positive + negative);
        if apart || positive == 0.0 || negative == 0.0 {
            return Err(Fault::new(
                format!(
                    "the charges do not balance: cations {:.2} meq/L, anions {:.2} meq/L",
                    1e3 * positive,
                    1e3 * negative
                ),
                "an analysis of all main ions, in mg/L of the ions; sums at most 10 % apart",
            )
            .at_column("ions"));
        }
        let grams = 1e-3 * figures.iter().sum::<f64>();
        let mut table = Self::of_amounts(
            cations.map(|amount| amount / grams),
            anions.map(|amount| amount / grams),
            silica / grams,
        );
        table.analysis = figures;
        table.tds_max = table.tds_at_ionic_strength(IONIC_STRENGTH_MAX);
        Ok(table)
    }

    /// The sums over ions, from mol of each in a gram of salt.
    fn of_amounts(cations: [f64; CATIONS], anions: [f64; ANIONS], silica: f64) -> Self {
        let square = |charges: f64| charges * charges;
        let mut table = Self {
            analysis: [0.0; 8],
            particles: cations.iter().sum::<f64>() + anions.iter().sum::<f64>() + silica,
            charges: sum(&cations, &CATION_CHARGES) + sum(&anions, &ANION_CHARGES),
            ionic_strength: 0.5
                * (sum(&cations, &CATION_CHARGES.map(square))
                    + sum(&anions, &ANION_CHARGES.map(square))),
            volume: sum(&cations, &CATION_CM3_MOL)
                + sum(&anions, &ANION_CM3_MOL)
                + silica * SILICA_CM3_MOL,
            sodium_chloride: cations[0] * anions[0],
            beta0: (0.0, 0.0),
            beta1: (0.0, 0.0),
            beta1_two_two: (0.0, 0.0),
            beta2: (0.0, 0.0),
            c: (0.0, 0.0),
            theta: 0.0,
            psi: 0.0,
            unsymmetrical: 0.0,
            tds_max: 0.0,
        };
        let add = |sum: &mut Parameter, weight: f64, parameter: Parameter| {
            sum.0 += weight * parameter.0;
            sum.1 += weight * parameter.1;
        };
        for (i, cation) in cations.iter().enumerate() {
            for (j, anion) in anions.iter().enumerate() {
                let both = cation * anion;
                let charges = CATION_CHARGES[i] * ANION_CHARGES[j];
                add(&mut table.beta0, both, BETA0[i][j]);
                let beta1 = if charges == 4.0 {
                    &mut table.beta1_two_two
                } else {
                    &mut table.beta1
                };
                add(beta1, both, BETA1[i][j]);
                add(&mut table.beta2, both, BETA2[i][j]);
                add(&mut table.c, both / (2.0 * charges.sqrt()), C_PHI[i][j]);
            }
        }
        for (i, j, theta, psi) in CATION_PAIRS {
            table.add_like(cations[i] * cations[j], theta, sum(&anions, &psi));
            table.add_unlike(
                cations[i] * cations[j],
                CATION_CHARGES[i] * CATION_CHARGES[j],
            );
        }
        for (i, j, theta, psi) in ANION_PAIRS {
            table.add_like(anions[i] * anions[j], theta, sum(&cations, &psi));
            table.add_unlike(anions[i] * anions[j], ANION_CHARGES[i] * ANION_CHARGES[j]);
        }
        table
    }

    fn add_like(&mut self, both: f64, theta: f64, psi: f64) {
        self.theta += both * theta;
        self.psi += both * psi;
    }

    /// Of ions with one and two charges the product is 2; others are of equal charges and add nothing.
    fn add_unlike(&mut self, both: f64, charges: f64) {
        if charges == 2.0 {
            self.unsymmetrical += both * charges;
        }
    }

    /// Salt content for which it is valid, mg/L: an ionic strength of 3 mol/kg at 50 degC, where a litre has least
    /// water.
    pub fn tds_range_mg_l(&self) -> (f64, f64) {
        (0.0, self.tds_max)
    }

    fn tds_at_ionic_strength(&self, ionic_strength: f64) -> f64 {
        let salt = ionic_strength / self.ionic_strength;
        let water_kg_l = density::unchecked(TEMPERATURE_RANGE_DEGC.1) * 1e-3;
        // The salt's volume is small: each step gains more than one digit.
        let mut g_l = salt * water_kg_l;
        for _ in 0..40 {
            g_l = salt * water_kg_l * (1.0 - self.litres_of_salt(g_l));
        }
        1e3 * g_l
    }

    /// Litres of salt in a litre of solution with so many grams.
    #[inline(always)]
    fn litres_of_salt<T: Number>(&self, g_l: T) -> T {
        let ionic_strength = g_l * self.ionic_strength;
        (g_l * self.volume + ionic_strength * ionic_strength.sqrt() * DEBYE_HUECKEL_CM3) * 1e-3
    }
}

fn sum<const N: usize>(amounts: &[f64; N], of_each: &[f64; N]) -> f64 {
    amounts.iter().zip(of_each).map(|(a, b)| a * b).sum()
}

impl<'a> Salt for &'a IonTable {
    type At<T: Number> = IonsAt<'a, T>;

    #[inline(always)]
    fn at<T: Number>(self, temperature_degc: T) -> IonsAt<'a, T> {
        IonsAt::new(self, temperature_degc)
    }

    #[inline(always)]
    fn osmotic_pressure<T: Number>(at: &IonsAt<'a, T>, tds_mg_l: T) -> T {
        at.osmotic_pressure(at.salt_a_kg_of_water(tds_mg_l))
    }

    #[inline(always)]
    fn map<T: Number, U: Number>(at: &IonsAt<'a, T>, of: impl Fn(&T) -> U) -> IonsAt<'a, U> {
        IonsAt {
            table: at.table,
            kelvin: of(&at.kelvin),
            water_kg_l: of(&at.water_kg_l),
            debye_hueckel: of(&at.debye_hueckel),
            beta0: of(&at.beta0),
            beta1: of(&at.beta1),
            beta1_two_two: of(&at.beta1_two_two),
            beta2: of(&at.beta2),
            c: of(&at.c),
        }
    }
}

/// The ions of a table at one temperature.
#[derive(Clone, Copy)]
pub(crate) struct IonsAt<'a, T> {
    table: &'a IonTable,
    kelvin: T,
    water_kg_l: T,
    debye_hueckel: T,
    beta0: T,
    beta1: T,
    beta1_two_two: T,
    beta2: T,
    c: T,
}

impl<'a, T: Number> IonsAt<'a, T> {
    #[inline(always)]
    pub fn new(table: &'a IonTable, temperature_degc: T) -> Self {
        let salt = SodiumChlorideAt::new(temperature_degc);
        let warmer = temperature_degc - 25.0;
        let at = |(at_25, each): Parameter| warmer * each + at_25;
        Self {
            table,
            kelvin: salt.kelvin,
            water_kg_l: salt.water_kg_l,
            debye_hueckel: salt.debye_hueckel,
            beta0: at(table.beta0) + salt.beta0 * table.sodium_chloride,
            beta1: at(table.beta1) + salt.beta1 * table.sodium_chloride,
            beta1_two_two: at(table.beta1_two_two),
            beta2: at(table.beta2),
            c: at(table.c) + salt.c_phi * (0.5 * table.sodium_chloride),
        }
    }

    /// g of salt a kg of water, from mg a litre of solution: the water in a litre is what the salt leaves room for.
    #[inline(always)]
    pub fn salt_a_kg_of_water(&self, tds_mg_l: T) -> T {
        let g_l = tds_mg_l * 1e-3;
        g_l / (self.water_kg_l * (-self.table.litres_of_salt(g_l) + 1.0))
    }

    /// φ Σ m, mol/kg, from g of salt a kg of water (K. S. Pitzer, J. Phys. Chem. 77 (1973) 268, and for mixtures Pitzer
    /// and Kim, J. Am. Chem. Soc. 96 (1974) 5701, from memory):
    ///
    /// φ Σ m = Σ m + 2 [−Aφ I^1.5/(1 + 1.2 √I) + Σ mc ma (β0 + β1 e^(−α √I) + β2 e^(−12 √I) + Z C)
    /// + Σ m m' (θ + Eθ + I Eθ') + Σ m m' m'' ψ], α = 2, of two ions of two charges 1.4.
    ///
    /// Silica counts as a particle; what it does to the ions is left out.
    #[inline(always)]
    pub fn osmolality(&self, salt: T) -> T {
        let table = self.table;
        let ionic_strength = salt * table.ionic_strength;
        let root = ionic_strength.sqrt();
        let debye_hueckel = self.debye_hueckel * ionic_strength * root / (root * 1.2 + 1.0);
        let pairs = self.beta0
            + self.beta1 * (root * -2.0).exp()
            + self.beta1_two_two * (root * -1.4).exp()
            + self.beta2 * (root * -12.0).exp()
            + self.c * salt * table.charges
            + table.theta;
        let none = T::constant(0.0);
        let unlike = if table.unsymmetrical > 0.0 {
            let unlike = self.unlike(root) * (table.unsymmetrical / (8.0 * table.ionic_strength));
            salt.choose_below(f64::MIN_POSITIVE, none, unlike)
        } else {
            none
        };
        let excess = salt * salt * (pairs + salt * table.psi) + salt * unlike - debye_hueckel;
        salt * table.particles + excess * 2.0
    }

    /// Ions of like sign and unlike charge: (Eθ + I Eθ') 8 I/(z z') = x₁₂ J'(x₁₂) − ½ x₁₁ J'(x₁₁) − ½ x₂₂ J'(x₂₂), with
    /// x = 6 z z' Aφ √I (K. S. Pitzer, J. Solution Chem. 4 (1975) 249, from memory). Without it the osmotic pressure of
    /// seawater would come out 0.8 % higher.
    #[inline(always)]
    fn unlike(&self, root: T) -> T {
        let x = self.debye_hueckel * root * 6.0;
        let logarithm = x.ln();
        // Powers of the other two follow from those of the first.
        let first = (logarithm * -0.7237).exp() * 4.581;
        let second = (logarithm * 0.528).exp() * 0.0120;
        let slope = |times: f64, first_times: f64, second_times: f64| {
            let second = second * second_times;
            let below = first * first_times * (-second).exp();
            let whole = below + 4.0;
            x * times / whole * (below * (second * 0.528 + 0.7237) / whole + 1.0)
        };
        // 2^−0.7237 and 2^0.528, and their squares.
        const FIRST: f64 = 0.605_542_447_896_263_8;
        const SECOND: f64 = 1.441_928_871_460_224_7;
        slope(2.0, FIRST, SECOND)
            - (slope(1.0, 1.0, 1.0) + slope(4.0, FIRST * FIRST, SECOND * SECOND)) * 0.5
    }

    /// π = φ Σ m R T ρ of water, bar, from g of salt a kg of water.
    #[inline(always)]
    pub fn osmotic_pressure(&self, salt: T) -> T {
        // mol/kg × J/(mol K) × K × kg/L = J/L = kPa
        self.osmolality(salt) * self.kelvin * self.water_kg_l * (0.01 * GAS_CONSTANT)
    }
}

#[cfg(test)]
mod tests;
