use super::*;
use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::SeedableRng;
use rand_distr::{Distribution, StandardNormal};

/// A line a day, with noise that wanders.
fn line(n: usize, share: f64, memory: f64, random: &mut ChaCha8Rng) -> Readings {
    let mut normal = || -> f64 { StandardNormal.sample(random) };
    let decay = (-1.0 / memory).exp();
    let mut state = share.sqrt() * normal();
    let mut value = Vec::new();
    for _ in 0..n {
        value.push(state + (1.0 - share).sqrt() * normal());
        state = decay * state + (share * (1.0 - decay * decay)).sqrt() * normal();
    }
    let time: Vec<f64> = (0..n).map(|day| day as f64).collect();
    let middle = 0.5 * (n - 1) as f64;
    Readings {
        columns: vec![vec![1.0; n], time.iter().map(|day| day - middle).collect()],
        time,
        value,
        starts: vec![0],
        beforehand: Vec::new(),
    }
}

#[test]
fn independent_noise_is_plain_regression() {
    let mut random = ChaCha8Rng::seed_from_u64(1);
    let readings = line(30, 0.0, 1.0, &mut random);
    let contrast = vec![vec![0.0, 1.0]];
    let noise = [Noise {
        share: 0.0,
        memory: 1.0,
    }];
    let found = fit(&readings, &contrast, Some(&noise)).expect("fits");
    let plain = least_squares(&readings, &contrast).expect("fits");
    assert!((found.figures[0].mean() - plain.contrasts[0]).abs() < 1e-12);
    let spread: f64 = readings.columns[1].iter().map(|x| x * x).sum();
    assert!((found.figures[0].0[0].scale - plain.deviation / spread.sqrt()).abs() < 1e-12);
}

#[test]
fn intervals_hold_the_truth_where_noise_wanders() {
    let mut random = ChaCha8Rng::seed_from_u64(2);
    for (n, share, memory) in [(60, 0.0, 1.0), (84, 0.6, 3.0), (120, 0.8, 5.0)] {
        let (mut held, mut rejected) = (0, 0);
        const TRIALS: usize = 400;
        for _ in 0..TRIALS {
            let readings = line(n, share, memory, &mut random);
            let found = fit(&readings, &[vec![0.0, 1.0]], None).expect("fits");
            let figure = &found.figures[0];
            held += usize::from(figure.quantile(0.05) <= 0.0 && figure.quantile(0.95) >= 0.0);
            rejected += usize::from(figure.p() < 0.05);
        }
        let held = held as f64 / TRIALS as f64;
        let rejected = rejected as f64 / TRIALS as f64;
        // Where nothing wanders, what might wander still widens an interval.
        assert!((0.86..0.98).contains(&held), "{n}, {share}: {held}");
        assert!(
            (0.004..0.085).contains(&rejected),
            "{n}, {share}: {rejected}"
        );
    }
}

#[test]
fn a_mixture_of_one_is_students_t() {
    let figure = Figure(vec![Part {
        share: 1.0,
        mean: 2.0,
        scale: 0.5,
        freedom: 7.0,
    }]);
    // t(0.95; 7) = 1.895 (any table of Student's distribution).
    assert!((figure.quantile(0.95) - (2.0 + 0.5 * 1.8946)).abs() < 1e-4);
    assert!((figure.below(figure.quantile(0.3)) - 0.3).abs() < 1e-9);
}
