//! The dissolved species of a water, with their equilibrium constants and what their activities follow.
//!
//! From the PHREEQC 3 file phreeqc.dat (USGS, public domain), as it came with phreeqpython 1.6.2: the species that waters
//! for reverse osmosis hold enough of to move an index. Left out, since they don't: hydroxides and fluorides of more than
//! one ligand, and silica with fluoride.

use crate::water::ZERO_CELSIUS_K;

/// Components, in the order of [`super::Water::IONS`], and carbonate behind them.
pub(super) const COMPONENTS: usize = 12;
pub(super) const SODIUM: usize = 0;
pub(super) const POTASSIUM: usize = 1;
pub(super) const MAGNESIUM: usize = 2;
pub(super) const CALCIUM: usize = 3;
pub(super) const BARIUM: usize = 4;
pub(super) const STRONTIUM: usize = 5;
pub(super) const CHLORIDE: usize = 6;
pub(super) const SULFATE: usize = 7;
pub(super) const FLUORIDE: usize = 8;
pub(super) const SILICA: usize = 10;
pub(super) const CARBONATE: usize = 11;

pub(super) const CHARGES: [f64; COMPONENTS] = [
    1.0, 1.0, 2.0, 2.0, 2.0, 2.0, -1.0, -2.0, -1.0, -1.0, 0.0, -2.0,
];

/// g/mol of the ions, from IUPAC's standard atomic weights (from memory); silica as SiO2.
pub(super) const G_MOL: [f64; COMPONENTS] = [
    22.9898, 39.0983, 24.305, 40.078, 137.327, 87.62, 35.453, 96.06, 18.9984, 62.004, 60.084,
    60.009,
];

/// How log10 γ follows from the ionic strength I, mol/kg.
#[derive(Debug, Clone, Copy)]
pub(super) enum Activity {
    /// −A z² √I/(1 + B a √I) + b I, with a in Å.
    TruesdellJones(f64, f64),
    /// −A z² [√I/(1 + √I) − 0.3 I].
    Davies,
    /// 0.1 I, of what bears no charge.
    Neutral,
}

use Activity::{Davies, Neutral, TruesdellJones};

pub(super) const ACTIVITIES: [Activity; COMPONENTS] = [
    TruesdellJones(4.08, 0.082),
    TruesdellJones(3.5, 0.015),
    TruesdellJones(5.5, 0.20),
    TruesdellJones(5.0, 0.165),
    TruesdellJones(4.0, 0.153),
    TruesdellJones(5.26, 0.121),
    TruesdellJones(3.63, 0.017),
    TruesdellJones(5.0, -0.04),
    TruesdellJones(3.5, 0.0),
    TruesdellJones(3.0, 0.0),
    Neutral,
    TruesdellJones(5.4, 0.0),
];
pub(super) const HYDROGEN: Activity = TruesdellJones(9.0, 0.0);

/// log10 K by temperature.
#[derive(Debug, Clone, Copy)]
pub(super) enum LogK {
    /// a + b T + c/T + d log10 T + e/T² + f T², T in K.
    Analytic([f64; 6]),
    /// log10 K at 25 degC and the enthalpy of reaction, kcal/mol (van 't Hoff).
    Enthalpy(f64, f64),
}

use LogK::{Analytic, Enthalpy};

impl LogK {
    pub fn at(self, temperature_degc: f64) -> f64 {
        const KCAL_PER_MOL_K: f64 = 1.987_204e-3;
        let t = temperature_degc + ZERO_CELSIUS_K;
        match self {
            Analytic([a, b, c, d, e, f]) => {
                a + b * t + c / t + d * t.log10() + e / (t * t) + f * t * t
            }
            Enthalpy(log_k, enthalpy) => {
                let room = 25.0 + ZERO_CELSIUS_K;
                log_k
                    - enthalpy / (std::f64::consts::LN_10 * KCAL_PER_MOL_K) * (1.0 / t - 1.0 / room)
            }
        }
    }
}

/// A species of at most one cation, one anion (or silica) and hydrogen ions; a hydroxide lacks one.
#[derive(Debug, Clone, Copy)]
pub(super) struct Species {
    pub cation: Option<usize>,
    pub anion: Option<usize>,
    pub hydrogens: i32,
    pub activity: Activity,
    pub log_k: LogK,
    /// Equivalents of alkalinity in a mol.
    pub alkalinity: f64,
}

impl Species {
    pub fn charge(&self) -> f64 {
        let of = |component: Option<usize>| component.map_or(0.0, |at| CHARGES[at]);
        of(self.cation) + of(self.anion) + f64::from(self.hydrogens)
    }

    pub fn contains(&self, component: usize) -> bool {
        self.cation == Some(component) || self.anion == Some(component)
    }
}

const fn species(
    cation: Option<usize>,
    anion: Option<usize>,
    hydrogens: i32,
    activity: Activity,
    log_k: LogK,
    alkalinity: f64,
) -> Species {
    Species {
        cation,
        anion,
        hydrogens,
        activity,
        log_k,
        alkalinity,
    }
}

/// CO3 2− + H+ = HCO3−.
pub(super) const BICARBONATE_LOG_K: LogK =
    Analytic([107.8871, 0.032_528_49, -5151.79, -38.925_61, 563_713.9, 0.0]);
/// CO3 2− + 2 H+ = CO2 + H2O.
pub(super) const CARBON_DIOXIDE_LOG_K: LogK = Analytic([
    464.1965,
    0.093_448_13,
    -26_986.16,
    -165.759_51,
    2_248_628.9,
    0.0,
]);

/// Sodium bicarbonate's log10 K from HCO3−, −0.25 with −1 kcal/mol, is written from CO3 2− here: at 25 degC, and with the
/// enthalpy of bicarbonate, −3.561 kcal/mol. So is barium's.
pub(super) const SPECIES: [Species; 30] = [
    species(
        None,
        None,
        -1,
        TruesdellJones(3.5, 0.0),
        Analytic([
            293.292_27,
            0.136_083_3,
            -10_576.913,
            -123.731_58,
            0.0,
            -6.996_455e-5,
        ]),
        1.0,
    ),
    species(
        None,
        Some(CARBONATE),
        1,
        TruesdellJones(5.4, 0.0),
        BICARBONATE_LOG_K,
        1.0,
    ),
    species(None, Some(CARBONATE), 2, Neutral, CARBON_DIOXIDE_LOG_K, 0.0),
    species(
        None,
        Some(SULFATE),
        1,
        Davies,
        Analytic([-56.889, 0.006_473, 2307.9, 19.8858, 0.0, 0.0]),
        -1.0,
    ),
    species(
        None,
        Some(FLUORIDE),
        1,
        Neutral,
        Analytic([-2.033, 0.012_645, 429.01, 0.0, 0.0, 0.0]),
        -1.0,
    ),
    species(
        None,
        Some(SILICA),
        -1,
        TruesdellJones(4.0, 0.0),
        Analytic([
            -302.3724,
            -0.050_698,
            15_669.69,
            108.184_66,
            -1_119_669.0,
            0.0,
        ]),
        1.0,
    ),
    species(
        None,
        Some(SILICA),
        -2,
        TruesdellJones(5.4, 0.0),
        Analytic([
            -294.0184,
            -0.072_650,
            11_204.49,
            108.184_66,
            -1_119_669.0,
            0.0,
        ]),
        2.0,
    ),
    species(Some(CALCIUM), None, -1, Davies, Enthalpy(-12.78, 0.0), 1.0),
    species(
        Some(CALCIUM),
        Some(CARBONATE),
        0,
        Neutral,
        Analytic([-1228.732, -0.299_440, 35_512.75, 485.818, 0.0, 0.0]),
        2.0,
    ),
    species(
        Some(CALCIUM),
        Some(CARBONATE),
        1,
        TruesdellJones(6.0, 0.0),
        Analytic([
            1317.0071,
            0.345_468_94,
            -39_916.84,
            -517.707_61,
            563_713.9,
            0.0,
        ]),
        1.0,
    ),
    species(
        Some(CALCIUM),
        Some(SULFATE),
        0,
        Neutral,
        Enthalpy(2.25, 1.325),
        0.0,
    ),
    species(
        Some(MAGNESIUM),
        None,
        -1,
        TruesdellJones(6.5, 0.0),
        Enthalpy(-11.44, 15.952),
        1.0,
    ),
    species(
        Some(MAGNESIUM),
        Some(CARBONATE),
        0,
        Neutral,
        Analytic([0.9910, 0.006_67, 0.0, 0.0, 0.0, 0.0]),
        2.0,
    ),
    species(
        Some(MAGNESIUM),
        Some(CARBONATE),
        1,
        TruesdellJones(4.0, 0.0),
        Analytic([48.6721, 0.032_528_49, -2614.335, -18.002_63, 563_713.9, 0.0]),
        1.0,
    ),
    species(
        Some(MAGNESIUM),
        Some(SULFATE),
        0,
        Neutral,
        Enthalpy(2.37, 4.550),
        0.0,
    ),
    species(
        Some(MAGNESIUM),
        Some(FLUORIDE),
        0,
        TruesdellJones(4.5, 0.0),
        Enthalpy(1.82, 3.20),
        0.0,
    ),
    species(
        Some(SODIUM),
        Some(CARBONATE),
        0,
        Davies,
        Enthalpy(1.27, 8.91),
        2.0,
    ),
    species(
        Some(SODIUM),
        Some(CARBONATE),
        1,
        Neutral,
        Enthalpy(10.079, -4.561),
        1.0,
    ),
    species(
        Some(SODIUM),
        Some(SULFATE),
        0,
        TruesdellJones(5.4, 0.0),
        Enthalpy(0.7, 1.120),
        0.0,
    ),
    species(
        Some(SODIUM),
        Some(FLUORIDE),
        0,
        Neutral,
        Enthalpy(-0.24, 0.0),
        0.0,
    ),
    species(
        Some(POTASSIUM),
        Some(SULFATE),
        0,
        TruesdellJones(5.4, 0.0),
        Analytic([3.106, 0.0, -673.6, 0.0, 0.0, 0.0]),
        0.0,
    ),
    species(
        Some(BARIUM),
        None,
        -1,
        TruesdellJones(5.0, 0.0),
        Enthalpy(-13.47, 0.0),
        1.0,
    ),
    species(
        Some(BARIUM),
        Some(CARBONATE),
        0,
        Neutral,
        Analytic([0.113, 0.008_721, 0.0, 0.0, 0.0, 0.0]),
        2.0,
    ),
    species(
        Some(BARIUM),
        Some(CARBONATE),
        1,
        Davies,
        Enthalpy(11.311, 2.0),
        1.0,
    ),
    species(
        Some(BARIUM),
        Some(SULFATE),
        0,
        Neutral,
        Enthalpy(2.7, 0.0),
        0.0,
    ),
    species(
        Some(STRONTIUM),
        None,
        -1,
        TruesdellJones(5.0, 0.0),
        Enthalpy(-13.29, 0.0),
        1.0,
    ),
    species(
        Some(STRONTIUM),
        Some(CARBONATE),
        0,
        Neutral,
        Analytic([-1.019, 0.012_826, 0.0, 0.0, 0.0, 0.0]),
        2.0,
    ),
    species(
        Some(STRONTIUM),
        Some(CARBONATE),
        1,
        TruesdellJones(5.4, 0.0),
        Analytic([104.6391, 0.047_395_49, -5151.79, -38.925_61, 563_713.9, 0.0]),
        1.0,
    ),
    species(
        Some(STRONTIUM),
        Some(SULFATE),
        0,
        Neutral,
        Enthalpy(2.29, 2.08),
        0.0,
    ),
    species(
        Some(CALCIUM),
        Some(SULFATE),
        1,
        Davies,
        Enthalpy(3.068, 3.85),
        -1.0,
    ),
];
