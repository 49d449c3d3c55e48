//! The worked examples, and what must hold of any water.

use super::species::{CALCIUM, G_MOL};
use super::*;
use proptest::prelude::*;

fn named(ions: &[(&str, f64)]) -> Vec<(String, f64)> {
    ions.iter()
        .map(|(name, content)| ((*name).to_owned(), *content))
        .collect()
}

const NONE: f64 = f64::NAN;

/// Ca 200 and alkalinity 150 mg/L as CaCO3, pH 7.60, TDS 500 mg/L, 25 degC: worked out from the formulas outside this
/// project.
fn worked() -> Water {
    Water::new(
        25.0,
        7.6,
        150.0,
        500.0,
        named(&[("calcium", 200.0 / 100.087 * G_MOL[CALCIUM])]),
    )
    .unwrap()
}

#[test]
fn the_worked_langelier_index_and_its_acid_are_met() {
    let found = saturation(&worked(), 0.75, &SaltPassage::all(0.0)).unwrap();
    assert!((found.concentrate.ph - 8.202).abs() < 1e-3);
    assert!((found.scales[0].standard_index - 1.906).abs() < 0.005);
    let passage = SaltPassage::from_names(named(&[
        ("calcium", 0.01),
        ("alkalinity", 0.03),
        ("tds", 0.02),
    ]))
    .unwrap();
    let found = saturation(&worked(), 0.75, &passage).unwrap();
    assert!((found.concentrate.ions[CALCIUM] / G_MOL[CALCIUM] * 100.087 - 794.0).abs() < 0.01);
    assert!((found.concentrate.alkalinity - 586.5).abs() < 0.01);
    assert!((found.scales[0].standard_index - 1.885).abs() < 0.005);
    // The acid of the worked example leaves dissolved solids as they are, which move the dose by less than 1 %.
    let none = SaltPassage::all(0.0);
    let dose = acid_dose(&worked(), 0.75, &none, 0.0, Acid::Sulfuric).unwrap();
    assert!((dose.dose_mg_l / 90.68 - 1.0).abs() < 0.01, "{dose:?}");
    assert!((dose.dose_as_calcium_carbonate_mg_l / 92.53 - 1.0).abs() < 0.01);
    assert!((dose.water.ph - 6.11).abs() < 0.02);
    let back = saturation(&dose.water, 0.75, &none).unwrap();
    assert!(back.scales[0].standard_index.abs() < 1e-6);
}

#[test]
fn the_textbook_water_is_limited_by_fluoride() {
    // Polarisation 1.08, activities left out: concentration factor (Ksp/IP)^(1/n)/1.08. Barite and celestite by
    // the file's single figures, as the example has them; its equations make −9.84 and −6.66 at 25 degC.
    let contents = [105.0, 2.5, 0.0018, 128.0, 1.3];
    let [calcium, strontium, barium, sulfate, fluoride] = contents;
    let mol = |content: f64, at: usize| 1e-3 * content / G_MOL[at];
    let (ca, so4) = (mol(calcium, CALCIUM), mol(sulfate, species::SULFATE));
    let recovery = |log_k: f64, product: f64, ions: f64| {
        1.0 - 1.08 / (10f64.powf(log_k) / product).powf(1.0 / ions)
    };
    let log_k = |scale: Scale| scale.log_solubility_product(25.0);
    let fluorite = ca * mol(fluoride, species::FLUORIDE).powi(2);
    let cases = [
        (recovery(log_k(Scale::CalciumFluoride), fluorite, 3.0), 14.9),
        (
            recovery(-9.97, mol(barium, species::BARIUM) * so4, 2.0),
            56.4,
        ),
        (
            recovery(-6.63, mol(strontium, species::STRONTIUM) * so4, 2.0),
            56.5,
        ),
        (recovery(log_k(Scale::CalciumSulfate), ca * so4, 2.0), 60.6),
        (
            recovery(
                log_k(Scale::Silica),
                mol(9.1 * 60.084 / 28.085, species::SILICA),
                1.0,
            ),
            82.0,
        ),
    ];
    for (found, expected) in cases {
        assert!((100.0 * found - expected).abs() < 0.5, "{found} {expected}");
    }
}

#[test]
fn silica_dissolves_as_published() {
    for (t, expected) in [
        (5.0, 77.7),
        (10.0, 86.5),
        (15.0, 95.9),
        (20.0, 106.0),
        (25.0, 116.7),
        (30.0, 128.1),
        (35.0, 140.1),
    ] {
        assert!((silica_solubility(t, 5.0) / expected - 1.0).abs() < 2e-3);
    }
    for (ph, factor) in [(8.0, 1.015), (8.5, 1.047), (9.0, 1.148), (9.5, 1.468)] {
        let found = silica_solubility(25.0, ph) / silica_solubility(25.0, 4.0);
        assert!((found - factor).abs() < 1e-3);
    }
}

#[test]
fn what_was_not_analysed_is_told_and_nan() {
    let found = saturation(&worked(), 0.5, &SaltPassage::all(0.0)).unwrap();
    assert_eq!(found.scales[0].clause, "sodium not analysed: no activities");
    assert!(found.scales[0].activity_index.is_nan());
    assert_eq!(found.scales[4].clause, "fluoride not analysed");
    assert!(found.scales[4].standard_index.is_nan());
    let limits = recovery_limits(
        &worked(),
        &SaltPassage::all(0.0),
        &Limits::untreated(),
        Method::Standard,
    )
    .unwrap();
    assert!(limits.sentence().contains("not judged: calcium sulfate"));
    let without = Water::new(25.0, 7.6, NONE, NONE, named(&[("calcium", 80.0)])).unwrap();
    let limits = recovery_limits(
        &without,
        &SaltPassage::all(0.0),
        &Limits::untreated(),
        Method::Standard,
    )
    .unwrap();
    assert!(limits.binding().is_none());
    assert_eq!(limits.limits[0].clause, "alkalinity not analysed");
}

#[test]
fn what_is_wrong_is_refused() {
    let refused = |t: f64, ph: f64, ions: &[(&str, f64)]| {
        Water::new(t, ph, 100.0, NONE, named(ions))
            .unwrap_err()
            .to_string()
    };
    assert!(refused(60.0, 7.0, &[]).contains("temperature"));
    assert!(refused(25.0, NONE, &[]).contains("ph"));
    assert!(refused(25.0, 7.0, &[("iron", 1.0)]).contains("iron"));
    assert!(refused(25.0, 7.0, &[("calcium", -1.0)]).contains("ions.calcium"));
    let water = worked();
    assert!(saturation(&water, 1.0, &SaltPassage::all(0.0)).is_err());
    assert!(saturation(&water, 0.5, &SaltPassage::all(1.5)).is_err());
    assert!(Limits::from_names(named(&[("rust", 1.0)])).is_err());
}

#[test]
fn softening_keeps_the_charges_and_acid_what_it_took() {
    let water = brackish(20.0, 7.6, 95.0, 160.0, 200.0);
    let soft = water.softened(0.9).unwrap();
    assert!((water.charges().0 - soft.charges().0).abs() < 1e-9);
    let sour = water.acidified(50.0, Acid::Hydrochloric).unwrap();
    assert!((water.charges().1 - sour.charges().1).abs() < 1e-9);
    assert!(sour.ph < water.ph);
}

/// A water that is balanced by sodium or chloride.
fn brackish(t: f64, ph: f64, calcium: f64, sulfate: f64, alkalinity: f64) -> Water {
    let ions = [
        ("magnesium", 30.0),
        ("calcium", calcium),
        ("potassium", 5.0),
        ("barium", 0.05),
        ("strontium", 2.0),
        ("sulfate", sulfate),
        ("fluoride", 0.8),
        ("nitrate", 4.0),
        ("silica", 18.0),
        ("sodium", 0.0),
        ("chloride", 0.0),
    ];
    let mut water = Water {
        temperature_degc: t,
        ph,
        alkalinity,
        ions: [0.0; Water::IONS.len()],
        tds: NONE,
    };
    for (name, content) in ions {
        let at = Water::IONS.iter().position(|known| *known == name).unwrap();
        water.ions[at] = content;
    }
    let (cations, anions) = water.charges();
    let salt = 3.0;
    water.ions[species::SODIUM] = (salt + (anions - cations).max(0.0)) * 22.9898;
    water.ions[species::CHLORIDE] = (salt + (cations - anions).max(0.0)) * 35.453;
    water
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    #[test]
    fn indices_rise_with_recovery_and_calcium(
        t in 5.0..35.0f64, ph in 6.0..8.5f64, calcium in 5.0..200.0f64,
        sulfate in 5.0..300.0f64, alkalinity in 20.0..300.0f64,
        recovery in 0.0..0.7f64,
    ) {
        let water = brackish(t, ph, calcium, sulfate, alkalinity);
        let passage = SaltPassage::all(0.02);
        let low = saturation(&water, recovery, &passage).unwrap();
        let high = saturation(&water, recovery + 0.05, &passage).unwrap();
        let more = brackish(t, ph, 1.05 * calcium, sulfate, alkalinity);
        let more = saturation(&more, recovery, &passage).unwrap();
        for (at, scale) in Scale::ALL.into_iter().enumerate() {
            prop_assert!(high.scales[at].activity_index > low.scales[at].activity_index, "{scale:?}");
            if high.concentrate.dissolved_solids() < LANGELIER_TDS_MAX {
                prop_assert!(high.scales[at].standard_index > low.scales[at].standard_index, "{scale:?}");
            }
        }
        for at in [0, 1, 4] {
            prop_assert!(more.scales[at].activity_index > low.scales[at].activity_index);
            prop_assert!(more.scales[at].standard_index > low.scales[at].standard_index);
        }
    }

    #[test]
    fn at_the_limit_the_saturation_is_the_limit(
        t in 5.0..35.0f64, ph in 6.0..8.0f64, calcium in 5.0..200.0f64,
        sulfate in 5.0..300.0f64, alkalinity in 20.0..300.0f64, by_activity: bool,
    ) {
        let water = brackish(t, ph, calcium, sulfate, alkalinity);
        let passage = SaltPassage::all(0.01);
        let method = if by_activity { Method::Activity } else { Method::Standard };
        let limits = recovery_limits(&water, &passage, &Limits::common_antiscalant(), method).unwrap();
        let mut reached = 0;
        for (at, limit) in limits.limits.iter().enumerate() {
            if limit.recovery > 0.0 {
                let found = saturation(&water, limit.recovery, &passage).unwrap();
                let scale = &found.scales[at];
                let index = if by_activity { scale.activity_index } else { scale.standard_index };
                prop_assert!((index - limit.limit.index).abs() < 1e-6, "{:?} {index}", limit);
                reached += 1;
            }
        }
        prop_assert!(reached > 0);
        let binding = limits.binding().unwrap().recovery;
        prop_assert!(limits.limits.iter().all(|limit| !(limit.recovery < binding)));
    }
}
