//! The forward model of the membranes: balances, limits where it has a closed form, and the way back.

use brinemark::membrane::operate::{Drain, Drive, Operation, Working};
use brinemark::membrane::train::{Membrane, Train};
use brinemark::site::TEMPLATE;
use brinemark::{Error, Site};
use proptest::prelude::*;

/// The template's site, with its optional figures of the element, and these lines exchanged.
fn site(changes: &[(&str, &str)]) -> Site {
    let mut text = TEMPLATE
        .replace("# length", "length")
        .replace("# feed_spacer", "feed_spacer")
        .replace("# rated_", "rated_")
        .replace("# test_", "test_");
    for (from, to) in changes {
        assert!(text.contains(from), "{from}");
        text = text.replacen(from, to, 1);
    }
    Site::parse(&text).expect("a site that is right")
}

fn operation() -> Operation {
    Operation {
        temperature: 18.0,
        feed_tds: 1500.0,
        permeate_pressure: 0.4,
        recycle_flow: 0.0,
        drain: Drain::ConcentrateFlow,
        drain_value: 6.0,
        drive: Drive::FeedPressure,
        drive_value: 14.0,
    }
}

fn one(train: &Train, membrane: Membrane, at: Operation) -> Working {
    train.work(&[membrane], &[at]).expect("a case in range")[0]
}

fn near(found: f64, expected: f64, relative: f64) -> bool {
    (found - expected).abs() <= relative * expected.abs()
}

#[test]
fn the_rating_is_met_at_its_test_conditions() {
    let site = site(&[
        ("vessels = 2", "vessels = 1"),
        ("elements_per_vessel = 3", "elements_per_vessel = 1"),
    ]);
    let membrane = Membrane::rated(&site).unwrap();
    let train = Train::new(&site, None).unwrap();
    let rated = 42.0 / 24.0;
    let found = one(
        &train,
        membrane,
        Operation {
            temperature: 25.0,
            feed_tds: 2000.0,
            permeate_pressure: 0.0,
            recycle_flow: 0.0,
            drain: Drain::Recovery,
            drain_value: 0.15,
            drive: Drive::FeedPressure,
            drive_value: 15.5,
        },
    );
    assert!(near(found.permeate_flow, rated, 1e-10), "{found:?}");
    assert!(near(found.permeate_tds, 10.0, 1e-9), "{found:?}");
}

#[test]
fn a_missing_key_of_the_rating_is_named() {
    let text = TEMPLATE.replace("# length", "length");
    let error = Membrane::rated(&Site::parse(&text).unwrap()).unwrap_err();
    let words = error.to_string();
    assert!(
        words.contains("[element] feed_spacer_thickness")
            && words.contains("[element] test_pressure")
    );
    assert!(!words.contains("[element] length"));
    assert!(matches!(error, Error::Site(_)));
}

/// No salt, and flow so great that nothing changes along the way: J = A · TCF · (P − Pp).
#[test]
fn without_salt_and_recovery_flux_is_permeability_times_pressure() {
    let site = site(&[]);
    let train = Train::new(&site, None).unwrap();
    let membrane = Membrane {
        water_permeability: 3.0,
        salt_permeability: 0.1,
        spacer_friction: 0.0,
    };
    let at = Operation {
        feed_tds: 1e-6,
        drain: Drain::FeedFlow,
        drain_value: 1e5,
        ..operation()
    };
    let found = one(&train, membrane, at);
    let factor = site.temperature.factor(18.0).unwrap();
    let expected = 1e-3 * train.area_m2() * 3.0 * factor * (14.0 - 0.4);
    assert!(
        near(found.permeate_flow, expected, 1e-7),
        "{found:?} {expected}"
    );
}

/// One element at vanishing recovery whose membrane passes no salt, osmotic pressure a line: J = A (P − π(C e^(J/k))), whose root
/// is P·A − k W(A π/k · e^(P A/k)) with Lambert's W.
#[test]
fn one_element_with_polarisation_has_a_closed_form() {
    let site = site(&[
        ("vessels = 2", "vessels = 1"),
        ("elements_per_vessel = 3", "elements_per_vessel = 1"),
        ("basis = \"sodium-chloride\"", "basis = \"tds-rule\""),
    ]);
    let train = Train::new(&site, None).unwrap();
    let membrane = Membrane {
        water_permeability: 3.0,
        salt_permeability: 1e-12,
        spacer_friction: 0.0,
    };
    let (area, length, spacer) = (site.element.area_m2, 40.0 * 0.0254, 31.0 * 2.54e-5);
    let channel = brinemark::membrane::channel::Channel::new(area, length, spacer).unwrap();
    // As little salt as makes the rule a line to 1e-5, so little flow that the film matters, so small a flux that recovery is nil.
    let at = Operation {
        temperature: 25.0,
        feed_tds: 10.0,
        permeate_pressure: 0.0,
        drain: Drain::FeedFlow,
        drain_value: 20.0,
        drive: Drive::FeedPressure,
        drive_value: 0.05,
        recycle_flow: 0.0,
    };
    let k = channel.mass_transfer(20.0, 25.0).unwrap();
    let osmotic = site.salinity.basis.osmotic_pressure(10.0, 25.0).unwrap();
    let (passes, pressure) = (membrane.water_permeability, at.drive_value);
    let x = passes * osmotic / k * (passes * pressure / k).exp();
    // W by Newton's method on w e^w = x.
    let mut w: f64 = 0.0;
    for _ in 0..50 {
        w -= (w * w.exp() - x) / (w.exp() * (1.0 + w));
    }
    let expected = passes * pressure - k * w;
    let found = one(&train, membrane, at);
    let flux = 1000.0 * found.permeate_flow / area;
    assert!(near(flux, expected, 1e-3), "{flux} {expected}");
    assert!(
        expected < passes * (pressure - osmotic),
        "polarisation takes some"
    );
}

#[test]
fn the_recycle_loop_agrees_with_its_closed_form() {
    let site = site(&[("# [recycle]\n# returns_to", "[recycle]\nreturns_to")]);
    let train = Train::new(&site, None).unwrap();
    let membrane = Membrane::rated(&site).unwrap();
    for recycle_flow in [0.0, 1.0, 5.0, 20.0] {
        let found = one(
            &train,
            membrane,
            Operation {
                recycle_flow,
                ..operation()
            },
        );
        let inlet = brinemark::membrane::recycle::inlet(
            found.feed_flow,
            recycle_flow,
            found.permeate_flow,
            1500.0,
            found.permeate_tds,
        );
        assert!(
            near(inlet.tds, found.inlet_tds, 1e-10),
            "{inlet:?} {found:?}"
        );
        assert!(near(inlet.flow, found.inlet_flow, 1e-12));
        // And with plain iteration round the loop, the inlet's salt from the last round's concentrate.
        let mut tds = 1500.0;
        for _ in 0..400 {
            let once = one(
                &train,
                membrane,
                Operation {
                    feed_tds: tds,
                    recycle_flow: 0.0,
                    drain: Drain::FeedFlow,
                    drain_value: found.inlet_flow,
                    ..operation()
                },
            );
            tds =
                (found.feed_flow * 1500.0 + recycle_flow * once.concentrate_tds) / found.inlet_flow;
        }
        assert!(near(tds, found.inlet_tds, 1e-9), "{tds} {found:?}");
    }
}

#[test]
fn a_target_flow_finds_its_pressure_or_the_limit() {
    let site = site(&[]);
    let train = Train::new(&site, None).unwrap();
    let membrane = Membrane::rated(&site).unwrap();
    let at = Operation {
        drive: Drive::PermeateFlow,
        drive_value: 6.0,
        ..operation()
    };
    let free = one(&train, membrane, at);
    assert!(near(free.permeate_flow, 6.0, 1e-11));
    let by_pressure = Operation {
        drive: Drive::FeedPressure,
        drive_value: free.feed_pressure,
        ..at
    };
    assert!(near(
        one(&train, membrane, by_pressure).permeate_flow,
        6.0,
        1e-10
    ));
    let within = |limit| train.work_within(&[membrane], &[at], limit).unwrap()[0];
    assert!(!within(free.feed_pressure + 0.01).1);
    let (stopped, limited) = within(free.feed_pressure - 0.5);
    assert!(
        limited && stopped.feed_pressure == free.feed_pressure - 0.5 && stopped.permeate_flow < 6.0
    );
}

#[test]
fn what_can_not_be_is_not_made_up() {
    let site = site(&[]);
    let train = Train::new(&site, None).unwrap();
    let membrane = Membrane::rated(&site).unwrap();
    // Below the osmotic pressure hardly anything passes, and that nearly as salty as the feed.
    let salty = Operation {
        feed_tds: 30_000.0,
        drive_value: 10.0,
        ..operation()
    };
    let found = one(&train, membrane, salty);
    assert!(
        found.recovery < 0.05 && found.permeate_tds > 15_000.0,
        "{found:?}"
    );
    // Against a higher permeate pressure there is nothing to be had.
    let backwards = Operation {
        permeate_pressure: 15.0,
        ..operation()
    };
    assert!(one(&train, membrane, backwards).permeate_flow.is_nan());
    // More than the basis is valid for, and out of the laws' temperatures.
    let briny = Operation {
        feed_tds: 150_000.0,
        ..operation()
    };
    let cold = Operation {
        temperature: -1.0,
        ..operation()
    };
    for wrong in [briny, cold] {
        assert!(matches!(
            train.work(&[membrane], &[wrong]),
            Err(Error::Range { row: Some(1), .. })
        ));
    }
    // Nor is there a membrane that passes less than nothing.
    let negative = Membrane {
        water_permeability: -3.0,
        ..membrane
    };
    assert!(matches!(
        train.work(&[negative], &[operation()]),
        Err(Error::Range { row: Some(1), .. })
    ));
    // Cases that are set in other ways are worked out each in its own, and one without a membrane not at all.
    let other = Operation {
        drive: Drive::PermeateFlow,
        drive_value: 5.0,
        ..operation()
    };
    let mixed = train
        .work(&[membrane; 2], &[operation(), other, operation()])
        .unwrap();
    assert_eq!(mixed[0], one(&train, membrane, operation()));
    assert_eq!(mixed[1], one(&train, membrane, other));
    assert!(mixed[2].permeate_flow.is_nan());
    // A missing figure gives a missing answer, and leaves its neighbours alone.
    let missing = Operation {
        temperature: f64::NAN,
        ..operation()
    };
    let both = train.work(&[membrane; 2], &[missing, operation()]).unwrap();
    assert!(both[0].permeate_flow.is_nan() && both[1].permeate_flow > 0.0);
}

fn operations() -> impl Strategy<Value = Operation> {
    (
        1.0..40.0_f64,
        10.0..8000.0_f64,
        0.0..2.0_f64,
        0.0..10.0_f64,
        1.0..30.0_f64,
        2.0..40.0_f64,
    )
        .prop_map(
            |(temperature, feed_tds, permeate_pressure, recycle_flow, drain_value, drive_value)| {
                Operation {
                    temperature,
                    feed_tds,
                    permeate_pressure,
                    recycle_flow,
                    drain: Drain::ConcentrateFlow,
                    drain_value,
                    drive: Drive::FeedPressure,
                    drive_value,
                }
            },
        )
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(100))]

    #[test]
    fn water_and_salt_are_conserved(at in operations(), water in 1.0..6.0_f64, salt in 0.02..0.6_f64, friction in 0.5..3.0_f64) {
        let site = site(&[("vessels = 2", "vessels = 3"), ("[temperature] ", "[[stage]]\nvessels = 2\nelements_per_vessel = 4\n\n[temperature] ")]);
        let train = Train::new(&site, None).unwrap();
        let membrane = Membrane { water_permeability: water, salt_permeability: salt, spacer_friction: friction };
        let Ok(worked) = train.work(&[membrane], &[at]) else { return Ok(()) };
        let found = worked[0];
        if found.permeate_flow.is_nan() { return Ok(()) }
        prop_assert!(near(found.permeate_flow + found.concentrate_flow, found.feed_flow, 1e-10), "{found:?}");
        let salt_in = found.feed_flow * at.feed_tds;
        let salt_out = found.permeate_flow * found.permeate_tds + found.concentrate_flow * found.concentrate_tds;
        prop_assert!(near(salt_out, salt_in, 1e-10), "{salt_in} {salt_out}");
        prop_assert!(near(found.concentrate_flow, at.drain_value, 1e-10));
        prop_assert!(found.concentrate_pressure < found.feed_pressure && found.permeate_tds < found.inlet_tds);
        // More pressure, more permeate.
        let more = one(&train, membrane, Operation { drive_value: at.drive_value * 1.01, ..at });
        prop_assert!(more.permeate_flow > found.permeate_flow || more.permeate_flow.is_nan());
    }
}
