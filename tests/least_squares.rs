//! Least squares by the filter: constants read one row at a time, with next to nothing thought of them before.

use brinemark::trend::filter::Gaussian;
use brinemark::trend::filter::Variances;
use brinemark::trend::local::{Before, local_trend};
use serde::Deserialize;

#[derive(Deserialize)]
struct Longley {
    source: String,
    rows: Vec<[f64; 7]>,
    coefficients: [f64; 7],
}

/// Six regressors that hang together so much that careless arithmetic loses all figures.
#[test]
fn longley() {
    let text = include_str!("data/longley.toml");
    let longley: Longley = toml::from_str(text).expect("the file holds it");
    assert!(longley.source.contains("NIST"));
    let count = longley.rows.len() as f64;
    let mean: [f64; 7] = std::array::from_fn(|column| {
        longley.rows.iter().map(|row| row[column]).sum::<f64>() / count
    });
    let spread: [f64; 7] = std::array::from_fn(|column| {
        let squares = longley
            .rows
            .iter()
            .map(|row| (row[column] - mean[column]).powi(2));
        (squares.sum::<f64>() / count).sqrt()
    });
    // Centred and scaled, as anyone would; the constant comes last.
    let mut state = Gaussian::<7>::independent([0.0; 7], [1e4; 7]);
    for row in &longley.rows {
        let scaled: [f64; 7] =
            std::array::from_fn(|column| (row[column] - mean[column]) / spread[column]);
        let loads = std::array::from_fn(|at| if at == 0 { 1.0 } else { scaled[at] });
        state.read(scaled[0], &loads, 1.0, None);
    }
    let mut constant = mean[0];
    for column in 1..7 {
        let coefficient = state.mean[column] * spread[0] / spread[column];
        constant -= coefficient * mean[column];
        let expected = longley.coefficients[column];
        assert!(
            (coefficient / expected - 1.0).abs() < 1e-4,
            "{column}: {coefficient} beside {expected}"
        );
    }
    assert!(
        (constant / longley.coefficients[0] - 1.0).abs() < 1e-4,
        "{constant}"
    );
}

#[derive(Deserialize)]
struct Norris {
    source: String,
    x: Vec<f64>,
    y: Vec<f64>,
    intercept: f64,
    slope: f64,
    slope_u: f64,
    residual_deviation: f64,
}

/// A calibration line with its certified standard error.
#[test]
fn norris() {
    let norris: Norris =
        toml::from_str(include_str!("data/norris.toml")).expect("the file holds it");
    assert!(norris.source.contains("NIST"));
    let mean = norris.x.iter().sum::<f64>() / norris.x.len() as f64;
    // Far wider than what is found, not so wide that rounding eats it: a few parts in 10⁸ are left of that.
    let mut state = Gaussian::<2>::independent([0.0; 2], [1e3; 2]);
    for (x, y) in norris.x.iter().zip(&norris.y) {
        state.read(*y, &[1.0, x - mean], norris.residual_deviation, None);
    }
    let (slope, slope_u) = (state.mean[1], state.covariance[1][1].sqrt());
    assert!((slope / norris.slope - 1.0).abs() < 1e-7, "{slope}");
    assert!((slope_u / norris.slope_u - 1.0).abs() < 1e-4, "{slope_u}");
    let intercept = state.mean[0] - slope * mean;
    assert!((intercept - norris.intercept).abs() < 1e-4, "{intercept}");
}

/// A level at a fixed rate is a straight line.
#[test]
fn a_straight_line() {
    let times: Vec<f64> = (0..40).map(f64::from).collect();
    let values: Vec<f64> = times
        .iter()
        .map(|time| 3.0 - 0.25 * time + (7.0 * time).sin())
        .collect();
    let variances = Variances {
        noise: 1.0,
        wander: 0.0,
        memory: 1.0,
        bend: 0.0,
        share: 0.0,
        growth: 0.0,
        walk: 0.0,
    };
    let before = Before {
        level: (0.0, 1e2),
        rate: (0.0, 1e2),
    };
    let found = local_trend(&times, &values, &variances, &before).expect("sound settings");
    let middle = 19.5;
    let (mut rise, mut run, mut sum) = (0.0, 0.0, 0.0);
    for (time, value) in times.iter().zip(&values) {
        rise += (time - middle) * value;
        run += (time - middle).powi(2);
        sum += value;
    }
    let slope = rise / run;
    for (at, time) in times.iter().enumerate() {
        let line = sum / 40.0 + slope * (time - middle);
        assert!((found.level[at] - line).abs() < 1e-4);
        assert!((found.rate[at] - slope).abs() < 1e-5);
    }
    // Its standard error, of noise 1.
    assert!((found.rate_u[0] - 1.0 / run.sqrt()).abs() < 1e-5);
}
