//! The Theil-Sen slope: the median of the slopes between all pairs of points, without looking at all pairs.

use std::ops::ControlFlow;

use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{Rng, SeedableRng};
use rayon::slice::ParallelSliceMut;
use statrs::distribution::{ContinuousCDF, Normal};

use super::{enough, inversions, kendall_sum, level_is_one, pairs, ties, times_go_with, usable};
use crate::assess::Estimate;
use crate::error::{Error, Fault};
use crate::stats::median;

/// The least step between two times: below, slopes would leave the range of the machine's numbers.
const LEAST_STEP: f64 = 1e-100;

/// How the estimate is made.
const METHOD: &str = "Theil-Sen: median of the slopes of all pairs of points; interval after Sen (1968), for independent values";

/// The unit of a slope whose values and times come in any.
const PER_TIME: &str = "per unit of time";

/// A straight line that a few wild readings don't turn.
#[derive(Debug, Clone, PartialEq)]
pub struct TheilSen {
    /// The slope: what the values change by in a unit of the times.
    pub slope: Estimate,
    /// Where the line stands at time 0: median of values − slope × median of times. It has no interval of its own.
    pub intercept: f64,
    /// Pairs of points with different times, of whose slopes it is the median.
    pub pairs: u64,
    /// Points whose value is missing.
    pub missing: usize,
}

/// The median of the slopes (yⱼ − yᵢ)/(tⱼ − tᵢ) of all pairs of points with different times, with its interval.
///
/// Times come in any order and spacing. An even number of slopes has the mean of the two in the middle. The interval has the
/// slopes of ranks (N ∓ z σ)/2, with N the number of slopes and σ² = [n (n − 1)(2 n + 5) − Σ t (t − 1)(2 t + 5)]/18 over
/// groups of t equal times and of t equal values: P. K. Sen, J. Am. Stat. Assoc. 63 (1968) 1379, equation 2.6, as
/// `scipy.stats.theilslopes` applies it. It holds for independent values and is too narrow for those that hang together.
/// NaN where ties leave no σ².
///
/// The slopes are selected, not listed: O(n log n) expected (M. B. Dillencourt, D. M. Mount and N. S. Netanyahu, Int. J.
/// Comput. Geom. Appl. 2 (1992) 1, from memory), with a fixed seed, so that the same points always give the same figure,
/// exact to the rounding of one slope.
///
/// # Errors
/// [`Error::Series`] for fewer than two points, all at one time, a value without a time, times of another number than the
/// values, or an infinite figure; [`Error::Range`] for a level outside 0.5 to 0.999.
///
/// ```
/// use brinemark::trend::cross_checks::theil_sen;
/// let found = theil_sen(&[0.0, 1.0, 2.0, 3.0, 10.0], &[1.0, 3.0, 5.0, 70.0, 21.0], 0.90)?;
/// assert_eq!(found.slope.value, 2.0);
/// assert_eq!(found.intercept, 1.0);
/// # Ok::<(), brinemark::Error>(())
/// ```
pub fn theil_sen(times: &[f64], values: &[f64], level: f64) -> Result<TheilSen, Error> {
    level_is_one(level)?;
    times_go_with("times", times, values)?;
    usable("times", times)?;
    usable("values", values)?;
    let points = Points::of(times, values);
    enough(points.len(), 2)?;
    points.check()?;
    let n = points.len();
    let number = points.pairs();
    let mut sorted = points.values.clone();
    sorted.sort_unstable_by(f64::total_cmp);
    let tied = |figures: &[f64]| ties(figures).map(kendall_sum).sum::<f64>();
    let variance = (kendall_sum(n) - tied(&points.times) - tied(&sorted)) / 18.0;
    let mut search = Search::new(&points);
    let value = search.median();
    let reach = Normal::standard().inverse_cdf(0.5 + 0.5 * level) * variance.sqrt();
    let (low, high) = if variance > 0.0 {
        let above = (0.5 * (number as f64 + reach)).round_ties_even();
        let below = (0.5 * (number as f64 - reach)).round_ties_even();
        // The upper end is the slope of index `above`, counted from 0; the lower, one before `below`.
        let high = search.ranked((above as u64).saturating_add(1).min(number));
        (search.ranked((below.max(1.0) as u64).min(number)), high)
    } else {
        (f64::NAN, f64::NAN)
    };
    let centre = median(&mut sorted) - value * median(&mut points.times.clone());
    Ok(TheilSen {
        slope: Estimate {
            value,
            low,
            high,
            level,
            unit: PER_TIME,
            n,
            method: METHOD,
            budget: None,
        },
        intercept: centre,
        pairs: number,
        missing: values.len() - n,
    })
}

/// The slope alone, of at least two points whose times differ and whose figures were checked.
pub(super) fn slope(times: &[f64], values: &[f64]) -> f64 {
    Search::new(&Points::of(times, values)).median()
}

/// Points with values, ordered by time, and by value where times are equal.
struct Points {
    times: Vec<f64>,
    values: Vec<f64>,
}

impl Points {
    fn of(times: &[f64], values: &[f64]) -> Self {
        // A time of −0 is one of 0.
        let mut points: Vec<(f64, f64)> = times
            .iter()
            .zip(values)
            .filter(|(_, value)| !value.is_nan())
            .map(|(time, value)| (time + 0.0, value + 0.0))
            .collect();
        points.sort_unstable_by(|a, b| a.0.total_cmp(&b.0).then(a.1.total_cmp(&b.1)));
        let (times, values) = points.into_iter().unzip();
        Self { times, values }
    }

    fn len(&self) -> usize {
        self.times.len()
    }

    /// Pairs with different times.
    fn pairs(&self) -> u64 {
        pairs(self.len()) - ties(&self.times).map(pairs).sum::<u64>()
    }

    fn check(&self) -> Result<(), Error> {
        let refuse = |problem: &str, remedy: &str| {
            let fault = Fault::new(problem, remedy).at_column("times");
            Err(Error::Series(fault.into()))
        };
        if self.pairs() == 0 {
            return refuse("all values are of one time", "values of two times at least");
        }
        let mut steps = self.times.windows(2).map(|pair| pair[1] - pair[0]);
        if steps.any(|step| step > 0.0 && step < LEAST_STEP) {
            return refuse(
                "two times are less than 1e-100 apart",
                "times in a smaller unit",
            );
        }
        Ok(())
    }

    fn slope(&self, a: u32, b: u32) -> f64 {
        let (a, b) = (a as usize, b as usize);
        (self.values[b] - self.values[a]) / (self.times[b] - self.times[a])
    }

    /// The order of the points by what remains of each value after a line of slope m through 0, just above m: of two points
    /// whose slope is m or less, the later one stands first. Points of one time stay as they are.
    fn order(&self, m: f64) -> Vec<u32> {
        let n = self.len() as u32;
        if m == f64::NEG_INFINITY {
            return (0..n).collect();
        }
        if m == f64::INFINITY {
            let latest = self.times.chunk_by(|a, b| a == b).map(<[f64]>::len).rev();
            let mut order = Vec::with_capacity(self.len());
            let mut end = n;
            for size in latest {
                let start = end - size as u32;
                order.extend(start..end);
                end = start;
            }
            return order;
        }
        let mut keys: Vec<(f64, f64, u32)> = (0..n)
            .map(|at| {
                let (high, low) = remainder(self.values[at as usize], m, self.times[at as usize]);
                (high, low, at)
            })
            .collect();
        let time = |at: u32| self.times[at as usize];
        keys.par_sort_unstable_by(|a, b| {
            a.0.total_cmp(&b.0)
                .then(a.1.total_cmp(&b.1))
                .then_with(|| time(b.2).total_cmp(&time(a.2)))
                .then(a.2.cmp(&b.2))
        });
        keys.into_iter().map(|(_, _, at)| at).collect()
    }
}

/// y − m t in two parts, the second below the last bit of the first: so that rounding makes no two points change places.
fn remainder(y: f64, m: f64, t: f64) -> (f64, f64) {
    let product = m * t;
    let product_rest = m.mul_add(t, -product);
    let difference = y - product;
    let y_part = difference + product;
    let difference_rest = (y - y_part) + (y_part - difference - product);
    let rest = difference_rest - product_rest;
    let high = difference + rest;
    // + 0.0 makes a −0 a 0, which the order of all numbers tells apart.
    (high + 0.0, rest - (high - difference) + 0.0)
}

/// Finds slopes by their rank, from 1, among those of all pairs.
struct Search<'a> {
    points: &'a Points,
    /// How many slopes are listed rather than narrowed down further.
    room: u64,
    random: ChaCha8Rng,
    /// How many slopes lie below those last listed, and these, sorted.
    listed: (u64, Vec<f64>),
}

/// A slope, the order of the points just above it, and how many slopes are up to it.
struct End {
    slope: f64,
    order: Vec<u32>,
    up_to: u64,
}

/// For each point of one order, its place in another: an inversion is a slope between the two.
fn places(from: &[u32], to: &[u32]) -> Vec<u32> {
    let mut place_of = vec![0_u32; to.len()];
    for (place, point) in to.iter().enumerate() {
        place_of[*point as usize] = place as u32;
    }
    from.iter().map(|point| place_of[*point as usize]).collect()
}

/// A few steps of the machine's numbers below a slope and above it, where no rounding of an equal one reaches.
fn around(slope: f64) -> (f64, f64) {
    let reach = (8.0 * f64::EPSILON * slope.abs()).max(1e-200);
    (slope - reach, slope + reach)
}

impl<'a> Search<'a> {
    fn new(points: &'a Points) -> Self {
        // Two rounds of narrowing leave about 4.5 slopes a point.
        let room = (6 * points.len() as u64).max(4096);
        Self {
            points,
            room,
            random: ChaCha8Rng::seed_from_u64(0),
            listed: (0, Vec::new()),
        }
    }

    fn median(&mut self) -> f64 {
        let number = self.points.pairs();
        let upper = self.ranked(number / 2 + 1);
        if number % 2 == 1 {
            return upper;
        }
        0.5 * (self.ranked(number / 2) + upper)
    }

    /// The slope of this rank, from 1 to the number of pairs.
    fn ranked(&mut self, rank: u64) -> f64 {
        if let Some(found) = self.known(rank) {
            return found;
        }
        let end = |slope, up_to| End {
            slope,
            order: self.points.order(slope),
            up_to,
        };
        // The slopes above the one and up to the other, among which the one sought is.
        let mut low = end(f64::NEG_INFINITY, 0);
        let mut high = end(f64::INFINITY, self.points.pairs());
        loop {
            let number = high.up_to - low.up_to;
            if number <= self.room {
                self.list(&low, &high);
                return self.known(rank).unwrap_or(f64::NAN);
            }
            let mut sample = self.sample(&low, &high);
            sample.par_sort_unstable_by(f64::total_cmp);
            // Where the one sought is likely to stand in the sample, give or take three standard deviations.
            let share = (rank - low.up_to) as f64 / number as f64;
            let middle = share * sample.len() as f64;
            let slack = 1.5 * (sample.len() as f64).sqrt();
            let drawn = |place: f64| sample[(place.max(0.0) as usize).min(sample.len() - 1)];
            self.narrow(&mut low, &mut high, around(drawn(middle - slack)).0, rank);
            self.narrow(&mut low, &mut high, around(drawn(middle + slack)).1, rank);
            if high.up_to - low.up_to > number / 2 {
                // Many slopes are equal: either the one sought is among them, or all of them go.
                let value = drawn(middle);
                let (below, above) = around(value);
                self.narrow(&mut low, &mut high, below, rank);
                self.narrow(&mut low, &mut high, above, rank);
                if below <= low.slope && high.slope <= above {
                    return value;
                }
            }
        }
    }

    fn known(&self, rank: u64) -> Option<f64> {
        let (below, listed) = &self.listed;
        let at = rank.checked_sub(below + 1)?;
        listed.get(usize::try_from(at).ok()?).copied()
    }

    fn list(&mut self, low: &End, high: &End) {
        let mut slopes = Vec::with_capacity((high.up_to - low.up_to) as usize);
        inversions::visit(&mut places(&low.order, &high.order), |greater, one| {
            let one = high.order[one as usize];
            let others = greater.iter().map(|other| high.order[*other as usize]);
            slopes.extend(others.map(|other| self.points.slope(other, one)));
            ControlFlow::Continue(())
        });
        slopes.par_sort_unstable_by(f64::total_cmp);
        self.listed = (low.up_to, slopes);
    }

    /// Moves one end to `slope`, where that is between the two, so that the rank sought stays inside.
    fn narrow(&self, low: &mut End, high: &mut End, slope: f64, rank: u64) {
        if !(low.slope < slope && slope < high.slope) {
            return;
        }
        let order = self.points.order(slope);
        let up_to = low.up_to + inversions::count(&mut places(&low.order, &order));
        let end = if up_to < rank { low } else { high };
        *end = End {
            slope,
            order,
            up_to,
        };
    }

    /// About as many slopes as there are points: one at random of each of equal shares of those between the ends, in the
    /// order in which they are met.
    fn sample(&mut self, low: &End, high: &End) -> Vec<f64> {
        let number = high.up_to - low.up_to;
        let wanted = (self.points.len() as u64).min(number);
        let share = number as f64 / wanted as f64;
        let mut random = || (self.random.next_u64() >> 11) as f64 / (1_u64 << 53) as f64;
        let mut next = (share * random()) as u64;
        let mut met = 0;
        let mut sample = Vec::with_capacity(wanted as usize);
        inversions::visit(&mut places(&low.order, &high.order), |greater, one| {
            let end = met + greater.len() as u64;
            while next < end {
                let other = greater[(next - met) as usize];
                let [other, one] = [other, one].map(|place| high.order[place as usize]);
                sample.push(self.points.slope(other, one));
                if sample.len() as u64 == wanted {
                    return ControlFlow::Break(());
                }
                next = next.max((share * (sample.len() as f64 + random())) as u64);
            }
            met = end;
            ControlFlow::Continue(())
        });
        sample
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// Few different times and values, so that ties are common, missing ones, and figures far from 0 or rounded.
    fn points(n: usize) -> impl Strategy<Value = Vec<(f64, f64)>> {
        let time = prop_oneof![
            (-5..40_i32).prop_map(f64::from),
            -3.0..3.0_f64,
            (0..500_i32).prop_map(|hours| 1.7e9 + 3600.0 * f64::from(hours)),
        ];
        let value = prop_oneof![
            4 => (-4..4_i32).prop_map(|x| 0.1 * f64::from(x)),
            4 => -3.0..3.0_f64,
            1 => (-4..4_i32).prop_map(|x| 1e6 + f64::from(x)),
            1 => Just(f64::NAN),
        ];
        prop::collection::vec((time, value), 0..n)
    }

    fn all_slopes(points: &[(f64, f64)]) -> Vec<f64> {
        let there: Vec<_> = points.iter().filter(|(_, y)| !y.is_nan()).collect();
        let mut slopes = Vec::new();
        for (at, (t, y)) in there.iter().enumerate() {
            let earlier = there[..at].iter().filter(|(before, _)| before != t);
            slopes.extend(earlier.map(|(before, value)| (y - value) / (t - before)));
        }
        slopes.sort_unstable_by(f64::total_cmp);
        slopes
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(600))]

        #[test]
        fn every_slope_is_found_by_its_rank(points in points(24), room in 1..30_u64) {
            let slopes = all_slopes(&points);
            let (times, values): (Vec<f64>, Vec<f64>) = points.into_iter().unzip();
            let points = Points::of(&times, &values);
            prop_assert_eq!(points.pairs(), slopes.len() as u64);
            for (at, slope) in slopes.iter().enumerate() {
                let mut search = Search { room, ..Search::new(&points) };
                let found = search.ranked(at as u64 + 1);
                prop_assert!((found - slope).abs() <= 1e-15 * slope.abs(), "{at}: {found} {slope}");
            }
        }

        #[test]
        fn the_median_is_that_of_all_slopes(points in points(60)) {
            let mut slopes = all_slopes(&points);
            let (times, values): (Vec<f64>, Vec<f64>) = points.into_iter().unzip();
            let found = theil_sen(&times, &values, 0.9);
            prop_assert_eq!(found.is_ok(), !slopes.is_empty());
            if let Ok(found) = found {
                prop_assert_eq!(found.slope.value, median(&mut slopes));
                prop_assert_eq!(found.slope.n + found.missing, values.len());
                prop_assert!(found.slope.low.is_nan() || found.slope.low <= found.slope.value);
                prop_assert!(found.slope.high.is_nan() || found.slope.high >= found.slope.value);
            }
        }
    }

    #[test]
    fn two_heaps_of_equal_slopes() {
        // The median of an even number of slopes lies between the heaps, or in one, whatever a sample says.
        for n in [200, 201, 500] {
            let times: Vec<f64> = (0..n).map(f64::from).collect();
            let values: Vec<f64> = (0..n).map(|at| f64::from(at.min(2 * n / 3))).collect();
            let points: Vec<(f64, f64)> =
                times.iter().copied().zip(values.iter().copied()).collect();
            let found = theil_sen(&times, &values, 0.9).unwrap();
            assert_eq!(found.slope.value, median(&mut all_slopes(&points)));
        }
    }

    #[test]
    fn constant_values_have_no_interval() {
        let found = theil_sen(&[0.0, 1.0, 5.0], &[2.0; 3], 0.9).unwrap();
        assert_eq!(
            (found.slope.value, found.intercept, found.pairs),
            (0.0, 2.0, 3)
        );
        assert!(found.slope.low.is_nan() && found.slope.high.is_nan());
    }

    #[test]
    fn refusals() {
        for (times, values, said) in [
            (vec![0.0, 1.0], vec![1.0], "2 times for 1 values"),
            (
                vec![0.0, f64::NAN],
                vec![1.0, 2.0],
                "row 2, times: a value without a time",
            ),
            (vec![3.0, 3.0], vec![1.0, 2.0], "all values are of one time"),
            (vec![0.0, 1e-200], vec![1.0, 2.0], "less than 1e-100 apart"),
            (
                vec![0.0, 1.0],
                vec![1.0, f64::INFINITY],
                "row 2, values, 'inf'",
            ),
            (vec![0.0, 1.0], vec![1.0, f64::NAN], "at least 2"),
        ] {
            let message = theil_sen(&times, &values, 0.9).unwrap_err().to_string();
            assert!(message.contains(said), "{message}");
        }
        assert!(theil_sen(&[0.0, 1.0], &[1.0, 2.0], f64::NAN).is_err());
        assert!(theil_sen(&[0.0, 1.0], &[1.0, 2.0], 1.0).is_err());
    }
}
