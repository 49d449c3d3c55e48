//! A membrane that obeys the law exactly normalises to a constant, whatever the conditions.

use brinemark::normalise::reading::{Conditions, Model};
use brinemark::normalise::temperature::Law;
use brinemark::normalise::{log_mean_factor, net_driving_pressure};
use brinemark::water::{Basis, WaterAnalysis};
use brinemark::{Site, site::TEMPLATE};
use proptest::prelude::*;

/// A membrane by its two permeabilities, in the form that underlies the standard practice.
#[derive(Debug, Clone, Copy)]
struct Membrane {
    /// L/m2/h/bar at 25 degC.
    water: f64,
    /// L/m2/h at 25 degC.
    salt: f64,
}

/// Conditions that this membrane meets at this recovery: driving pressure and permeate salt depend on each other,
/// so the permeate's salt is chosen and the feed pressure and feed flow follow, or the reverse.
fn meets(membrane: Membrane, site: &Site, at: Given) -> Option<Conditions> {
    let area = site.element.area_m2 * f64::from(site.elements());
    let factor = site.temperature.factor(at.temperature).ok()?;
    let salt_factor = site.salt_law().factor(at.temperature).ok()?;
    let mean = at.feed_tds * log_mean_factor(at.recovery).ok()?;
    let permeate_flow = at.flux * area / 1000.0;
    let permeate_tds = membrane.salt * area * salt_factor * mean / (1000.0 * permeate_flow);
    let osmotic = |tds| {
        site.salinity
            .basis
            .osmotic_pressure(tds, at.temperature)
            .ok()
    };
    let driving = 1000.0 * permeate_flow / (membrane.water * area * factor);
    let feed_pressure =
        driving + at.differential_pressure / 2.0 + at.permeate_pressure + osmotic(mean)?
            - osmotic(permeate_tds)?;
    Some(Conditions {
        temperature: at.temperature,
        feed_pressure,
        differential_pressure: at.differential_pressure,
        permeate_pressure: at.permeate_pressure,
        permeate_flow,
        feed_flow: permeate_flow / at.recovery,
        recycle_flow: 0.0,
        feed_tds: at.feed_tds,
        permeate_tds,
    })
}

/// A brackish water by its ions.
fn brackish() -> Basis {
    let analysis = [120.0, 6.0, 30.0, 95.0, 180.0, 160.0, 250.0, 18.0].map(Some);
    Basis::from_settings("ions", Some(WaterAnalysis::from_figures(analysis))).expect("a basis")
}

/// What is free to choose.
#[derive(Debug, Clone, Copy)]
struct Given {
    temperature: f64,
    flux: f64,
    recovery: f64,
    feed_tds: f64,
    differential_pressure: f64,
    permeate_pressure: f64,
}

fn given() -> impl Strategy<Value = Given> {
    (
        0.5..49.5_f64,
        2.0..60.0_f64,
        1e-6..0.9_f64,
        50.0..20_000.0_f64,
        0.0..4.0_f64,
        0.0..3.0_f64,
    )
        .prop_map(
            |(temperature, flux, recovery, feed_tds, differential_pressure, permeate_pressure)| {
                Given {
                    temperature,
                    flux,
                    recovery,
                    feed_tds,
                    differential_pressure,
                    permeate_pressure,
                }
            },
        )
}

fn sites() -> impl Strategy<Value = Site> {
    let laws = prop_oneof![
        (1.015..1.04_f64).prop_map(|base| Law::StandardPractice { base }),
        (1500.0..3800.0_f64, 1500.0..3800.0_f64).prop_map(|(constant_k, below)| Law::Arrhenius {
            constant_k,
            constant_below_25degc_k: Some(below),
        }),
        Just(Law::Viscosity),
        Just(Law::Table {
            points: vec![(0.0, 0.42), (25.0, 1.0), (50.0, 1.9)]
        }),
    ];
    let bases = prop_oneof![
        Just(Basis::SodiumChloride),
        Just(Basis::TdsRule),
        Just(Basis::Seawater),
        Just(brackish())
    ];
    (laws.clone(), proptest::option::of(laws), bases).prop_map(|(law, salt_law, basis)| {
        let mut site = Site::parse(TEMPLATE).expect("the template");
        site.temperature = law;
        site.salt_temperature = salt_law;
        site.salinity.basis = basis;
        site
    })
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(5000))]

    #[test]
    fn an_exact_membrane_is_constant(
        site in sites(),
        reference in given(),
        actual in given(),
        water in 0.5..8.0_f64,
        salt in 0.01..0.5_f64,
        lost in 0.5..1.0_f64,
    ) {
        let new = Membrane { water, salt };
        let model = Model::new(&site, Some(0));
        let states = |membrane, at| {
            meets(membrane, &site, at).and_then(|at| model.state(&at).ok().map(|state| (at, state)))
        };
        let (Some(reference), Some(now)) = (states(new, reference), states(new, actual)) else {
            // Salt beyond the range of the osmotic pressure, most often.
            return Ok(());
        };
        let figures = model.figures(&now.0, &now.1, &reference.0, &reference.1);
        let near = |found: f64, expected: f64| (found / expected - 1.0).abs() <= 1e-10;
        prop_assert!(near(figures.permeate_flow, reference.0.permeate_flow), "{figures:?}");
        prop_assert!(near(figures.salt_passage, reference.0.permeate_tds / reference.0.feed_tds), "{figures:?}");
        prop_assert!(near(figures.water_permeability, water) && near(figures.salt_permeability, salt));

        // And a membrane that lost some of its permeability shows just that.
        let fouled = Membrane { water: water * lost, salt };
        if let Some(now) = states(fouled, actual) {
            let figures = model.figures(&now.0, &now.1, &reference.0, &reference.1);
            prop_assert!(near(figures.permeate_flow, lost * reference.0.permeate_flow), "{figures:?}");
            prop_assert!(near(figures.salt_passage, reference.0.permeate_tds / reference.0.feed_tds));
            // The other reading of the element flow takes the fouling for salt passage.
            let other = reference.0.permeate_tds / reference.0.feed_tds / lost;
            prop_assert!(near(figures.salt_passage_at_normalised_flow, other));
        }
    }

    #[test]
    fn the_log_mean_is_smooth_where_its_series_ends(offset in -1e-9..1e-9_f64) {
        let (at, beside) = (log_mean_factor(1e-3 + offset).unwrap(), log_mean_factor(1e-3).unwrap());
        prop_assert!((at - beside - offset * 0.500_667).abs() < 1e-12, "{at} {beside}");
    }

    #[test]
    fn the_log_mean_rises_from_one(recovery in 0.0..0.98_f64) {
        let factor = log_mean_factor(recovery).unwrap();
        prop_assert!(factor >= 1.0 && log_mean_factor(recovery + 0.01).unwrap() > factor);
        prop_assert!(factor < 1.0 / (1.0 - recovery) + 1e-12);
    }

    #[test]
    fn figures_depend_on_each_condition_as_they_should(site in sites(), at in given(), water in 0.5..8.0_f64) {
        let model = Model::new(&site, Some(0));
        let Some(at) = meets(Membrane { water, salt: 0.1 }, &site, at) else { return Ok(()) };
        let Ok(state) = model.state(&at) else { return Ok(()) };
        let permeability = |at: &Conditions| {
            model.state(at).map(|state| model.figures(at, &state, at, &state).water_permeability)
        };
        let before = permeability(&at).expect("the state was fine");
        // The same flow from more pressure, or from warmer water, is a membrane that passes less.
        let more = Conditions { feed_pressure: at.feed_pressure + 1.0, ..at };
        prop_assert!(permeability(&more).expect("more pressure") < before);
        let warmer = Conditions { temperature: at.temperature + 0.4, ..at };
        if let Ok(warmer) = permeability(&warmer) {
            prop_assert!(warmer < before * (1.0 + 0.02 * state.mean_feed_tds / 1000.0 / state.net_driving_pressure));
        }
    }
}

/// The identity case worked out outside the project: A and B fitted to the reference of the case W1.
#[test]
fn three_states_worked_outside_return_the_reference() {
    let mut site = Site::parse(TEMPLATE).expect("the template");
    site.salinity.basis = Basis::TdsRule;
    let model = Model::new(&site, Some(0));
    let conditions = |temperature, feed_pressure, permeate_flow: f64, permeate_tds| Conditions {
        temperature,
        feed_pressure,
        differential_pressure: 1.8,
        permeate_pressure: 0.5,
        permeate_flow,
        feed_flow: 200.0 / 3.0,
        recycle_flow: 0.0,
        feed_tds: 2000.0,
        permeate_tds,
    };
    let reference = conditions(25.0, 12.5, 50.0, 30.0);
    let reference_state = model.state(&reference).unwrap();
    assert!((reference_state.net_driving_pressure - 8.187_66).abs() < 1e-5);
    // Worked to 6 digits: that is how near they come back.
    for (temperature, pressure, flow, salt) in [
        (10.0, 12.5, 35.1731, 21.0495),
        (10.0, 17.0, 50.2182, 19.2704),
        (32.0, 11.0, 49.8401, 36.8776),
    ] {
        let at = conditions(temperature, pressure, flow, salt);
        let figures = model.figures(
            &at,
            &model.state(&at).unwrap(),
            &reference,
            &reference_state,
        );
        assert!(
            (figures.permeate_flow / 50.0 - 1.0).abs() < 5e-6,
            "{figures:?}"
        );
        assert!(
            (figures.salt_passage / 0.015 - 1.0).abs() < 5e-6,
            "{figures:?}"
        );
    }
    assert_eq!(net_driving_pressure(1.0, 0.0, 0.0, 0.25, 0.0), 0.75);
}
