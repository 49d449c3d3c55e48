use proptest::prelude::*;

use super::sums::Sums;
use super::*;

/// The cost of a stretch by its definition: sums of squares about the mean or the line, in two passes.
fn cost_of(values: &[f64], times: &[f64], cost: Cost) -> f64 {
    let there: Vec<(f64, f64)> = times
        .iter()
        .copied()
        .zip(values.iter().copied())
        .filter(|(_, value)| !value.is_nan())
        .collect();
    let n = there.len().max(1) as f64;
    let mean = there.iter().map(|(_, y)| y).sum::<f64>() / n;
    let middle = there.iter().map(|(t, _)| t).sum::<f64>() / n;
    let spread: f64 = there.iter().map(|(t, _)| (t - middle).powi(2)).sum();
    let rise: f64 = there.iter().map(|(t, y)| (t - middle) * (y - mean)).sum();
    let slope = match cost {
        Cost::Line if spread > 0.0 => rise / spread,
        _ => 0.0,
    };
    let off = |(t, y): &(f64, f64)| (y - mean - slope * (t - middle)).powi(2);
    there.iter().map(off).sum()
}

/// The lowest cost up to each row with each number of changes, every start tried, nothing pruned.
fn lowest(
    series: &[Vec<f64>],
    times: &[f64],
    noise: &[f64],
    cost: Cost,
    min_size: usize,
) -> Vec<f64> {
    let n = times.len();
    let of = |start: usize, end: usize| -> f64 {
        let each = series.iter().zip(noise).map(|(values, noise)| {
            cost_of(&values[start..end], &times[start..end], cost) / (noise * noise)
        });
        each.sum()
    };
    let mut found = vec![vec![f64::INFINITY; n + 1]; n / min_size + 1];
    found[0][0] = 0.0;
    for stretches in 1..found.len() {
        for end in min_size..=n {
            found[stretches][end] = (0..=end - min_size)
                .map(|start| found[stretches - 1][start] + of(start, end))
                .fold(f64::INFINITY, f64::min);
        }
    }
    found[1..].iter().map(|ends| ends[n]).collect()
}

/// Two series with steps of a few sizes, many of them equal, and missing values; times that rise unevenly.
fn case() -> impl Strategy<Value = (Vec<Vec<f64>>, Vec<f64>, Vec<f64>)> {
    let value = prop_oneof![
        3 => (-2..3_i32).prop_map(f64::from),
        3 => -3.0..3.0_f64,
        1 => Just(f64::NAN),
    ];
    (2..45_usize, 1..3_usize).prop_flat_map(move |(n, number)| {
        (
            prop::collection::vec(prop::collection::vec(value.clone(), n), number),
            prop::collection::vec(0.1..3.0_f64, n),
            prop::collection::vec(0.3..3.0_f64, number),
        )
    })
}

proptest! {
    #[test]
    fn no_other_choice_costs_less(
        (series, steps, noise) in case(),
        line in any::<bool>(),
        size in 1..7_usize,
        penalty in 0.05..8.0_f64,
        changes in 0..5_usize,
    ) {
        prop_assume!(series.iter().all(|values| values.iter().any(|value| !value.is_nan())));
        let cost = if line { Cost::Line } else { Cost::Level };
        let min_size = size + usize::from(line);
        prop_assume!(steps.len() >= min_size);
        let mut time = 0.0;
        let times: Vec<f64> = steps.iter().map(|step| { time += step; time }).collect();
        let lowest = lowest(&series, &times, &noise, cost, min_size);
        let lists: Vec<&[f64]> = series.iter().map(Vec::as_slice).collect();
        let mut settings = ChangePointSettings {
            cost,
            number: Number::Penalty(penalty),
            min_size,
            times: line.then_some(&times[..]),
            noise: Some(&noise),
        };
        let found = change_points(&lists, &settings).unwrap();
        let best = lowest
            .iter()
            .enumerate()
            .map(|(changes, cost)| cost + penalty * changes as f64)
            .fold(f64::INFINITY, f64::min);
        let total = found.cost + penalty * found.rows.len() as f64;
        prop_assert!((total - best).abs() <= 1e-9 * (1.0 + best), "{total} {best} {:?}", found.rows);
        let edges: Vec<usize> = [0].into_iter().chain(found.rows).chain([times.len()]).collect();
        prop_assert!(edges.windows(2).all(|pair| pair[1] - pair[0] >= min_size), "{edges:?}");
        if cost == Cost::Level {
            let rows = Rows::of(&lists, &settings);
            for found in both_ways(&rows, penalty, min_size) {
                let total = rows.cost::<Levels>(&found) + penalty * found.len() as f64;
                prop_assert!((total - best).abs() <= 1e-9 * (1.0 + best), "{total} {best} {found:?}");
            }
        }

        settings.number = Number::Changes(changes);
        let found = change_points(&lists, &settings);
        prop_assert_eq!(found.is_ok(), (changes + 1) * min_size <= times.len());
        if let Ok(found) = found {
            prop_assert_eq!(found.rows.len(), changes);
            let best = lowest[changes];
            prop_assert!((found.cost - best).abs() <= 1e-9 * (1.0 + best), "{} {best}", found.cost);
        }
    }
}

/// The changes that moved fits find, and prefix sums, however accurate these are.
fn both_ways(rows: &Rows, penalty: f64, min_size: usize) -> [Vec<usize>; 2] {
    let sums = Sums::of(&rows.series, f64::INFINITY).unwrap();
    [
        rows.penalised::<Levels>(penalty, min_size),
        sums.penalised(penalty, min_size),
    ]
}

proptest! {
    #[test]
    fn prefix_sums_find_the_same_rows(
        noise in prop::collection::vec((-1.0..1.0_f64, -1.0..1.0_f64), 30..400),
        levels in prop::collection::vec(-4.0..4.0_f64, 1..9),
        stretch in 5..90_usize,
        min_size in 1..40_usize,
        penalty in 0.3..20.0_f64,
        gaps in any::<prop::sample::Index>(),
    ) {
        prop_assume!(noise.len() >= min_size);
        let level = |row: usize| levels[row / stretch % levels.len()];
        let first: Vec<f64> = (0..noise.len()).map(|row| level(row) + noise[row].0).collect();
        let second: Vec<f64> = (0..noise.len()).map(|row| noise[row].1 - level(row)).collect();
        for series in [&[&first[..]] as &[&[f64]], &[&first, &second]] {
            let rows = Rows::of(series, &LEVEL);
            let [moved, summed] = both_ways(&rows, penalty, min_size);
            prop_assert_eq!(moved, summed);
        }
        // A change amid missing values costs the same at each of them.
        let missing = |row: usize| row >= gaps.index(noise.len()) && noise[row].1 > 0.0;
        let some: Vec<f64> = (0..noise.len())
            .map(|row| if missing(row) { f64::NAN } else { first[row] })
            .collect();
        prop_assume!(some.iter().any(|value| !value.is_nan()));
        let rows = Rows::of(&[&some, &second], &LEVEL);
        let [moved, summed] = both_ways(&rows, penalty, min_size)
            .map(|found| rows.cost::<Levels>(&found) + penalty * found.len() as f64);
        prop_assert!((moved - summed).abs() <= 1e-9 * (1.0 + moved), "{moved} {summed}");
    }
}

/// Noise without chance: what is left of a golden rotation.
fn noise(row: usize) -> f64 {
    (row as f64 * 0.618_033_988_749_894_8).fract() - 0.5
}

const LEVEL: ChangePointSettings<'_> = ChangePointSettings {
    cost: Cost::Level,
    number: Number::Penalty(10.0),
    min_size: 2,
    times: None,
    noise: None,
};

#[test]
fn a_step_is_found_far_from_zero() {
    // Sums of squares, 1e21 in terms of the noise, would have no digit left for it.
    let level = |row| match row {
        0..600 => -1e9,
        600..1300 => 1e9,
        _ => 1e9 + 1.0,
    };
    let values: Vec<f64> = (0..2000).map(|row| level(row) + noise(row)).collect();
    let noise = Some(&[0.3][..]);
    let found = change_points(&[&values], &ChangePointSettings { noise, ..LEVEL }).unwrap();
    assert_eq!(found.rows, [600, 1300]);
    let expected = 2000.0 / 12.0 / 0.09;
    assert!(
        (found.cost - expected).abs() < 0.01 * expected,
        "{}",
        found.cost
    );
}

#[test]
fn prefix_sums_are_left_where_they_lose_digits() {
    for (apart, kept) in [(10.0, true), (1e9, false)] {
        let level = |row: usize| apart * [0.0, 1.0, -1.0][row / 400 % 3] + (row / 1000) as f64;
        let values: Vec<f64> = (0..2000).map(|row| level(row) + noise(row)).collect();
        let rows = Rows::of(&[&values], &LEVEL);
        assert_eq!(Sums::of(&rows.series, 10.0).is_some(), kept);
        let [moved, summed] = both_ways(&rows, 10.0, 2);
        assert_eq!(moved, [400, 800, 1000, 1200, 1600]);
        // Or the question would not have to be asked.
        assert_eq!(moved == summed, kept, "{summed:?}");
        let found = change_points(&[&values], &LEVEL).unwrap();
        assert_eq!(found.rows, moved);
    }
}

#[test]
fn a_change_amid_missing_values_is_at_the_first() {
    for row in 20..60 {
        let value = |at: usize| match at {
            _ if at < row => noise(at),
            _ if at < row + 20 => f64::NAN,
            _ => 5.0 + noise(at),
        };
        let values: Vec<f64> = (0..100).map(value).collect();
        let found = change_points(&[&values], &LEVEL).unwrap();
        assert_eq!(found.rows, [row]);
    }
}

#[test]
fn pruning_keeps_what_long_stretches_need() {
    let values: Vec<f64> = (0..400)
        .map(|row| 3.0 * ((row / 37) % 3) as f64 + noise(row))
        .collect();
    for min_size in [1, 2, 5, 20, 36, 50] {
        let settings = ChangePointSettings { min_size, ..LEVEL };
        let found = change_points(&[&values], &settings).unwrap();
        let number = Number::Changes(found.rows.len());
        let other = change_points(&[&values], &ChangePointSettings { number, ..settings }).unwrap();
        assert!((found.cost - other.cost).abs() < 1e-9, "{min_size}");
    }
}

#[test]
fn refusals_name_what_is_wrong() {
    let inf = [1.0, f64::INFINITY, 2.0];
    let line = ChangePointSettings {
        cost: Cost::Line,
        ..LEVEL
    };
    let two: &[&[f64]] = &[&[1.0, 2.0], &[1.0]];
    let three: &[&[f64]] = &[&[1.0, 2.0, 3.0]];
    for (series, settings, said) in [
        (&[] as &[&[f64]], LEVEL, "no values"),
        (two, LEVEL, "series 2, '1'"),
        (&[&inf], LEVEL, "row 2, values, 'inf'"),
        (&[&[f64::NAN; 4]], LEVEL, "all values are missing"),
        (
            three,
            ChangePointSettings {
                number: Number::Penalty(0.0),
                ..LEVEL
            },
            "penalty, '0'",
        ),
        (
            three,
            ChangePointSettings {
                number: Number::Penalty(f64::NAN),
                ..LEVEL
            },
            "penalty, 'NaN'",
        ),
        (
            three,
            ChangePointSettings {
                number: Number::Changes(1),
                ..LEVEL
            },
            "too few rows for 2 times 2",
        ),
        (
            three,
            ChangePointSettings {
                min_size: 0,
                ..LEVEL
            },
            "min_size, '0'",
        ),
        (
            three,
            ChangePointSettings {
                noise: Some(&[0.0]),
                ..LEVEL
            },
            "noise, '0'",
        ),
        (
            three,
            ChangePointSettings {
                noise: Some(&[1.0, 2.0]),
                ..LEVEL
            },
            "noise, '2'",
        ),
        (
            three,
            ChangePointSettings {
                times: Some(&[0.0, 1.0, 2.0]),
                ..LEVEL
            },
            "levels use no times",
        ),
        (three, line, "lines need times"),
        (
            three,
            ChangePointSettings {
                times: Some(&[0.0, 1.0, 1.0]),
                ..line
            },
            "row 3, times, '1'",
        ),
        (
            three,
            ChangePointSettings {
                times: Some(&[0.0, 1.0]),
                ..line
            },
            "times, '2'",
        ),
    ] {
        let message = change_points(series, &settings).unwrap_err().to_string();
        assert!(message.contains(said), "{message}");
    }
    assert!(Number::from_settings(None, None).is_err());
    assert!(Number::from_settings(Some(1.0), Some(1)).is_err());
    let message = Cost::parse("lines").unwrap_err().to_string();
    assert!(message.contains("did you mean 'line'?"), "{message}");
}
