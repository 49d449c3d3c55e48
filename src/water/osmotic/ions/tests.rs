//! Against the other bases and handbook figures of single salts.

use super::super::{Basis, seawater::SeawaterAt};
use super::*;
use crate::number::Dual;
use proptest::prelude::*;

/// Standard seawater, mg/kg at 35.165 g/kg (F. J. Millero et al., Deep-Sea Res. I 55 (2008) 50, table 4, from memory),
/// the lesser ions taken for the nearest: strontium as calcium, bromide as chloride, carbonate as bicarbonate.
const SEA: [f64; 8] = [
    10_781.45, 399.10, 1283.72, 415.72, 19_382.56, 2712.35, 133.98, 0.0,
];

fn table(figures: [f64; 8]) -> IonTable {
    IonTable::new(&WaterAnalysis::from_figures(figures.map(Some))).expect("a table")
}

/// Of one salt: so many mol of a cation and of an anion.
fn of_salt(cation: usize, cations: f64, anion: usize, anions: f64) -> IonTable {
    let mut figures = [0.0; 8];
    figures[cation] = cations * CATION_G_MOL[cation];
    figures[CATIONS + anion] = anions * ANION_G_MOL[anion];
    table(figures)
}

#[test]
fn single_salts_have_their_osmotic_coefficients() {
    // R. A. Robinson and R. H. Stokes, Electrolyte Solutions, 2nd ed. (1959), appendix 8.10, 25 degC: from memory.
    // Magnesium sulfate at 0.1 mol/kg: the file's own parameters give 0.595.
    for (name, (cation, cations, anion, anions), molality, expected, within) in [
        ("sodium chloride", (0, 1.0, 0, 1.0), 0.1, 0.932, 2e-3),
        ("sodium chloride", (0, 1.0, 0, 1.0), 1.0, 0.936, 2e-3),
        ("potassium chloride", (1, 1.0, 0, 1.0), 0.1, 0.927, 3e-3),
        ("potassium chloride", (1, 1.0, 0, 1.0), 1.0, 0.897, 3e-3),
        ("calcium chloride", (3, 1.0, 0, 2.0), 0.1, 0.854, 3e-3),
        ("calcium chloride", (3, 1.0, 0, 2.0), 1.0, 1.046, 3e-3),
        ("magnesium chloride", (2, 1.0, 0, 2.0), 0.1, 0.861, 3e-3),
        ("magnesium chloride", (2, 1.0, 0, 2.0), 1.0, 1.108, 3e-3),
        ("sodium sulfate", (0, 2.0, 1, 1.0), 0.1, 0.793, 3e-3),
        ("sodium sulfate", (0, 2.0, 1, 1.0), 1.0, 0.642, 3e-3),
        ("magnesium sulfate", (2, 1.0, 1, 1.0), 0.1, 0.606, 2e-2),
        ("magnesium sulfate", (2, 1.0, 1, 1.0), 1.0, 0.525, 5e-3),
    ] {
        let salt = of_salt(cation, cations, anion, anions);
        let ions = molality * (cations + anions);
        let found = IonsAt::new(&salt, 25.0).osmolality(ions / salt.particles) / ions;
        assert!(
            (found / expected - 1.0).abs() < within,
            "{name} {molality}: {found}, not {expected}"
        );
    }
}

#[test]
fn sodium_and_chloride_alone_are_the_sodium_chloride_basis() {
    let salt = Basis::Ions(of_salt(0, 1.0, 0, 1.0));
    for tds in [1.0, 100.0, 2000.0, 35_000.0, 110_000.0] {
        for temperature in [0.0, 10.0, 25.0, 50.0] {
            let found = salt.osmotic_pressure(tds, temperature).expect("a pressure");
            let expected = Basis::SodiumChloride
                .osmotic_pressure(tds, temperature)
                .expect("a pressure");
            assert!((found / expected - 1.0).abs() < 2e-5, "{tds} {temperature}");
        }
    }
}

#[test]
fn the_ions_of_seawater_are_seawater() {
    let sea = table(SEA);
    for salinity in [1.0, 10.0, 35.165, 70.0] {
        for temperature in [5.0, 15.0, 25.0, 35.0] {
            let expected = SeawaterAt::new(temperature).osmotic_pressure(salinity);
            let ions = IonsAt::new(&sea, temperature);
            let found = ions.osmotic_pressure(1e3 * salinity / (1e3 - salinity));
            assert!(
                (found / expected - 1.0).abs() < 5e-3,
                "{salinity} {temperature}: {found}, not {expected}"
            );
            // By mg/L too, for which the volumes of the salt matter.
            let tds = salinity * SeawaterAt::new(temperature).density(salinity);
            let found = ions.osmotic_pressure(ions.salt_a_kg_of_water(tds));
            assert!(
                (found / expected - 1.0).abs() < 5e-3,
                "{tds} {temperature}: {found}, not {expected}"
            );
        }
    }
}

#[test]
fn powers_of_two_are_right() {
    // Where x doubles, the two powers in J grow by these: found by comparing with one worked out anew.
    let sea = table(SEA);
    let ions = IonsAt::new(&sea, 25.0);
    let j = |x: f64| x / (4.0 + 4.581 * x.powf(-0.7237) * (-0.0120 * x.powf(0.528)).exp());
    let slope = |x: f64| x * (j(x * (1.0 + 1e-5)) - j(x * (1.0 - 1e-5))) / (2e-5 * x);
    let root = 0.85;
    let x = 6.0 * ions.debye_hueckel * root;
    let expected = slope(2.0 * x) - 0.5 * (slope(x) + slope(4.0 * x));
    assert!((ions.unlike(root) / expected - 1.0).abs() < 1e-6);
}

#[test]
fn silica_adds_its_particles() {
    let with = |silica| {
        let mut figures = [120.0, 6.0, 30.0, 95.0, 180.0, 160.0, 250.0, silica];
        figures[7] = silica;
        let total: f64 = figures.iter().sum();
        Basis::Ions(table(figures))
            .osmotic_pressure(total, 25.0)
            .expect("a pressure")
    };
    // 60.084 mg/L are 1 mmol/L: R T c = 0.0248 bar.
    assert!((with(60.084) - with(0.0) - 0.0248).abs() < 1e-4);
}

#[test]
fn a_table_ends_at_its_ionic_strength() {
    let sea = table(SEA);
    let highest = sea.tds_range_mg_l().1;
    let salt = IonsAt::new(&sea, 50.0).salt_a_kg_of_water(highest);
    assert!((salt * sea.ionic_strength / IONIC_STRENGTH_MAX - 1.0).abs() < 1e-9);
    assert!(
        Basis::Ions(sea)
            .osmotic_pressure(highest * 1.001, 20.0)
            .is_err()
    );
}

#[test]
fn what_can_not_be_right_is_refused() {
    let fault = |change: fn(&mut WaterAnalysis)| {
        let mut analysis = WaterAnalysis::from_figures(SEA.map(Some));
        change(&mut analysis);
        IonTable::new(&analysis).expect_err("a fault").to_string()
    };
    assert!(fault(|water| water.sulfate = None).starts_with("ions.sulfate: missing"));
    assert!(fault(|water| water.sulfate = Some(f64::NAN)).starts_with("ions.sulfate: missing"));
    assert!(fault(|water| water.calcium = Some(-1.0)).starts_with("ions.calcium, '-1 mg/L'"));
    assert!(fault(|water| water.chloride = Some(f64::INFINITY)).starts_with("ions.chloride"));
    assert!(fault(|water| water.sodium = Some(1.4 * 10_781.45)).contains("meq/L"));
    assert!(fault(|water| *water = WaterAnalysis::from_figures([Some(0.0); 8])).contains("meq/L"));
    let mut without = WaterAnalysis::from_figures(SEA.map(Some));
    without.silica = None;
    assert_eq!(IonTable::new(&without), Ok(table(SEA)));
}

#[test]
fn only_the_proportions_count() {
    let (one, other) = (table(SEA), table(SEA.map(|figure| figure * 0.01)));
    for (a, b) in [
        (one.particles, other.particles),
        (one.theta, other.theta),
        (one.psi, other.psi),
        (one.beta0.0, other.beta0.0),
        (one.tds_max, other.tds_max),
    ] {
        assert!((a / b - 1.0).abs() < 1e-12);
    }
}

proptest! {
    #[test]
    fn slopes_are_those_of_differences(tds in 10.0..80_000.0_f64, temperature in 1.0..49.0_f64) {
        for basis in [Basis::Seawater, Basis::Ions(table(SEA))] {
            let (by_both, _) = basis.osmotic_pressures(
                &[Dual::<2>::variable(temperature, 1)],
                &[Dual::<2>::variable(tds, 0)],
                &[Dual::<2>::variable(tds, 0)],
            );
            let at = |tds, temperature| {
                basis.osmotic_pressures(&[temperature], &[tds], &[tds]).0[0]
            };
            let [by_tds, by_temperature] = by_both[0].slopes;
            let near = |a: f64, b: f64| (a - b).abs() < 1e-5 * b.abs();
            let step = 1e-4 * tds;
            let difference = (at(tds + step, temperature) - at(tds - step, temperature)) / (2.0 * step);
            prop_assert!(near(by_tds, difference), "{by_tds} {difference}");
            let difference = (at(tds, temperature + 0.01) - at(tds, temperature - 0.01)) / 0.02;
            prop_assert!(near(by_temperature, difference), "{by_temperature} {difference}");
        }
    }
}

#[test]
fn no_salt_no_pressure() {
    for basis in [Basis::Seawater, Basis::Ions(table(SEA))] {
        assert_eq!(basis.osmotic_pressure(0.0, 20.0), Ok(0.0));
        let (found, _) = basis.osmotic_pressures(
            &[Dual::<1>::constant(20.0)],
            &[Dual::<1>::variable(0.0, 0)],
            &[Dual::<1>::constant(1.0)],
        );
        assert!(found[0].slopes[0].is_finite());
        assert!(
            basis
                .osmotic_pressure(f64::NAN, 20.0)
                .expect("NaN")
                .is_nan()
        );
    }
}
