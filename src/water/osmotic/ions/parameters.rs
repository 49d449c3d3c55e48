//! Pitzer's parameters of ions in pairs and triples, with other data of the ions.
//!
//! From the PHREEQC 3 file pitzer.dat (USGS, public domain): at 25 degC, and where it gives one, the change with each
//! kelvin. Those of sodium with chloride have further terms and stand in `sodium_chloride.rs`; here they are nothing.

/// Cations: sodium, potassium, magnesium, calcium.
pub(super) const CATIONS: usize = 4;
/// Anions: chloride, sulfate, bicarbonate.
pub(super) const ANIONS: usize = 3;

pub(super) const CATION_CHARGES: [f64; CATIONS] = [1.0, 1.0, 2.0, 2.0];
pub(super) const ANION_CHARGES: [f64; ANIONS] = [1.0, 2.0, 1.0];

/// g/mol, from IUPAC's standard atomic weights (from memory). Sodium and chloride add up to the sodium chloride basis.
pub(super) const CATION_G_MOL: [f64; CATIONS] = [22.9898, 39.0983, 24.305, 40.078];
pub(super) const ANION_G_MOL: [f64; ANIONS] = [35.453, 96.06, 61.017];
pub(super) const SILICA_G_MOL: f64 = 60.084;

/// Standard molal volumes at 25 degC, cm3/mol (F. J. Millero, Chem. Rev. 71 (1971) 147, from memory).
pub(super) const CATION_CM3_MOL: [f64; CATIONS] = [-1.21, 9.02, -21.17, -17.85];
pub(super) const ANION_CM3_MOL: [f64; ANIONS] = [17.83, 13.98, 23.4];
/// Of dissolved silica as SiO2, cm3/mol (from memory; 20 mg/L take up 5e-6 of the water).
pub(super) const SILICA_CM3_MOL: f64 = 16.0;

/// At 25 degC, and its change with each kelvin.
pub(super) type Parameter = (f64, f64);
/// A row for each cation.
pub(super) type Pairs = [[Parameter; ANIONS]; CATIONS];

const NONE: Parameter = (0.0, 0.0);

pub(super) const BETA0: Pairs = [
    [NONE, (0.019_58, 2.367e-3), (0.0277, 1.00e-3)],
    [
        (0.048_35, 5.794e-4),
        (0.049_95, 1.44e-3),
        (0.0296, 0.996e-3),
    ],
    [(0.352_35, -1.943e-4), (0.221, -0.69e-3), (0.329, 0.0)],
    [(0.3159, -1.725e-4), (0.2, 0.0), (0.4, 0.0)],
];

pub(super) const BETA1: Pairs = [
    [NONE, (1.113, 5.6325e-3), (0.0411, 1.10e-3)],
    [(0.2122, 10.71e-4), (0.7793, 6.6975e-3), (-0.013, 1.104e-3)],
    [(1.6815, 3.6525e-3), (3.343, 1.53e-2), (0.6072, 0.0)],
    [(1.614, 3.9e-3), (3.1973, 5.46e-2), (2.977, 0.0)],
];

pub(super) const BETA2: Pairs = [
    [NONE, NONE, NONE],
    [NONE, NONE, NONE],
    [NONE, (-37.23, -0.253), NONE],
    [NONE, (-54.24, -0.516), NONE],
];

pub(super) const C_PHI: Pairs = [
    [NONE, (0.004_97, -4.879_04e-4), NONE],
    [(-0.000_84, -5.095e-5), NONE, (-0.008, 0.0)],
    [(0.005_19, -1.649_33e-4), (0.025, 0.523e-3), NONE],
    [(-0.000_34, 0.0), NONE, NONE],
];

/// Two cations, then θ, then ψ with each anion.
pub(super) const CATION_PAIRS: [(usize, usize, f64, [f64; ANIONS]); 6] = [
    (0, 1, -0.012, [-0.0018, -0.010, -0.003]),
    (0, 2, 0.07, [-0.012, -0.015, 0.0]),
    (0, 3, 0.07, [-0.007, -0.055, 0.0]),
    (1, 2, 0.0, [-0.022, -0.048, 0.0]),
    (1, 3, 0.032, [-0.025, 0.0, 0.0]),
    (2, 3, 0.007, [-0.012, 0.024, 0.0]),
];

/// Two anions, then θ, then ψ with each cation.
pub(super) const ANION_PAIRS: [(usize, usize, f64, [f64; CATIONS]); 3] = [
    (0, 1, 0.02, [0.0014, 0.0, -0.004, -0.018]),
    (0, 2, 0.03, [-0.015, 0.0, -0.096, 0.0]),
    (1, 2, 0.01, [-0.005, 0.0, -0.161, 0.0]),
];
