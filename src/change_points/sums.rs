//! Levels by differences of prefix sums: less to do for each start than to move its mean, where no digits are lost by it.
//!
//! With P and Q the sums of the values and of their squares before a row, all about the mean, and m how many there are, the
//! stretch from s up to t leaves Q(t) − Q(s) − (P(t) − P(s))²/(m(t) − m(s)). What belongs to the start alone is known once;
//! nothing is kept up to date, and a look at many starts is a few plain instructions for each.

use super::fits::Series;
use super::search::backwards;

/// So many starts, whose rows follow each other, are looked at or spared together. Few in tests, whose series are short.
const BLOCK: usize = if cfg!(test) { 8 } else { 64 };
/// The rows after which blocks that are beaten are left out.
const LEAVE_OUT: usize = 8;

/// The sums of all series.
pub(super) struct Sums {
    /// The number of rows.
    n: usize,
    series: Vec<Before>,
    /// The sum of the squares of all series before each row, and of all.
    squares: Vec<f64>,
    /// 1/k at n − k, so that it follows the starts; 0 where nothing is since a start.
    reciprocals: Vec<f64>,
}

/// What is of a series before each row, and in all; filled up to whole blocks.
struct Before {
    sums: Vec<f64>,
    met: Vec<usize>,
}

impl Sums {
    /// The greatest error of a stretch's cost, in terms of the penalty.
    const ACCURACY: f64 = 1e-9;

    /// `None` where rounding could move the cost of a stretch by more than 1e-9 of the penalty.
    ///
    /// With u = 1.1e-16, what rounding may take of a figure, a sum is off by no more than u times the greatest of its kind,
    /// |P| or Q; and a level is no larger than the largest value |x|. So (P(t) − P(s))²/(m(t) − m(s)) is off by no more
    /// than u (4 |x| |P| + 5 Q), added up over the series. The values about the mean, their squares, the sums of these and
    /// their differences, with two operations for each of k series, none above Q, add up to u (7 + 2 k) Q.
    pub fn of(series: &[Series], penalty: f64) -> Option<Self> {
        let n = series.first()?.values.len();
        let filled = (n + 1).next_multiple_of(BLOCK);
        let mut error = 0.0;
        let mut squares = vec![0.0; n];
        let mut all = Vec::with_capacity(series.len());
        for Series { values, met } in series {
            let there = values.iter().filter(|value| !value.is_nan());
            let mean = there.sum::<f64>() / met[n];
            let off = values.iter().map(|value| value - mean);
            // About the mean, a missing value is as if it were 0.
            let off: Vec<f64> = off
                .map(|off| if off.is_nan() { 0.0 } else { off })
                .collect();
            for (squares, off) in squares.iter_mut().zip(&off) {
                *squares += off * off;
            }
            let mut sums = prefix_sums(&off);
            error += 4.0 * largest(&off) * largest(&sums);
            sums.resize(filled, 0.0);
            let mut met: Vec<usize> = met.iter().map(|met| *met as usize).collect();
            // As if more values came: a block whose numbers rise by 1 from row to row is whole.
            met.extend((met[n] + 1..).take(filled - n - 1));
            all.push(Before { sums, met });
        }
        let squares = prefix_sums(&squares);
        error += (12 + 2 * series.len()) as f64 * squares[n];
        if !(0.5 * f64::EPSILON * error <= Self::ACCURACY * penalty) {
            return None;
        }
        let mut reciprocals: Vec<f64> = (1..=n).rev().map(|k| 1.0 / k as f64).collect();
        reciprocals.resize(n + filled, 0.0);
        Some(Self {
            n,
            series: all,
            squares,
            reciprocals,
        })
    }

    /// The first rows of all stretches but the first, as [`super::search::Rows::changes`] finds them, by the same rules.
    pub fn penalised(&self, penalty: f64, min_size: usize) -> Vec<usize> {
        pulp::Arch::new().dispatch(Search {
            of: self,
            penalty,
            min_size,
        })
    }

    /// The least cost from any start of a block on up to an end.
    #[inline(always)]
    fn least<S: pulp::Simd>(&self, simd: S, begun: &[f64], first: usize, end: usize) -> f64 {
        let block = first..first + BLOCK;
        let mut costs = [0.0; BLOCK];
        costs.copy_from_slice(&begun[block.clone()]);
        let (costs, _) = S::as_mut_simd_f64s(&mut costs);
        for Before { sums, met } in &self.series {
            let until = simd.splat_f64s(sums[end]);
            let (sums, _) = S::as_simd_f64s(&sums[block.clone()]);
            let from = self.n - met[end];
            let met = &met[block.clone()];
            let mut gathered;
            let reciprocals = if met[BLOCK - 1] - met[0] == BLOCK - 1 {
                &self.reciprocals[from + met[0]..][..BLOCK]
            } else {
                gathered = [0.0; BLOCK];
                for at in 0..BLOCK {
                    gathered[at] = self.reciprocals[from + met[at]];
                }
                &gathered
            };
            let (reciprocals, _) = S::as_simd_f64s(reciprocals);
            for at in 0..costs.len() {
                let since = simd.sub_f64s(until, sums[at]);
                let level = simd.mul_f64s(simd.mul_f64s(since, since), reciprocals[at]);
                costs[at] = simd.sub_f64s(costs[at], level);
            }
        }
        let mut least = simd.splat_f64s(f64::INFINITY);
        for costs in costs {
            least = simd.min_f64s(least, *costs);
        }
        simd.reduce_min_f64s(least) + self.squares[end]
    }

    /// The cost up to an end from a start that has begun with this.
    fn cost(&self, begun: f64, start: usize, end: usize) -> f64 {
        let less = |cost: f64, Before { sums, met }: &Before| {
            let since = sums[end] - sums[start];
            cost - since * since * self.reciprocals[self.n - met[end] + met[start]]
        };
        self.series.iter().fold(begun, less) + self.squares[end]
    }
}

/// The sum of the figures before each, and of all, each rounded once: what additions round off is summed up too (D. E.
/// Knuth, The Art of Computer Programming 2, from memory).
fn prefix_sums(figures: &[f64]) -> Vec<f64> {
    let (mut sum, mut rest) = (0.0, 0.0);
    let mut sums = Vec::with_capacity(figures.len() + 1);
    sums.push(0.0);
    for figure in figures {
        let next = sum + figure;
        let of_figure = next - sum;
        rest += (sum - (next - of_figure)) + (figure - of_figure);
        sum = next;
        sums.push(sum + rest);
    }
    sums
}

fn largest(figures: &[f64]) -> f64 {
    let larger = |largest: f64, figure: &f64| largest.max(figure.abs());
    figures.iter().fold(0.0, larger)
}

/// Starts whose rows follow each other, those among them that are open.
struct Block {
    first: usize,
    /// None of them costs less, up to any row that is still to come.
    least: f64,
    /// From this end on none of them can be best: a stretch from where they were beaten may end there.
    beaten: Option<usize>,
}

/// [`Sums::penalised`], compiled once for each kind of processor with the widest instructions it has.
struct Search<'a> {
    of: &'a Sums,
    penalty: f64,
    min_size: usize,
}

impl pulp::WithSimd for Search<'_> {
    type Output = Vec<usize>;

    #[inline(always)]
    fn with_simd<S: pulp::Simd>(self, simd: S) -> Vec<usize> {
        let Self {
            of,
            penalty,
            min_size,
        } = self;
        let n = of.n;
        // What a stretch begins with at each row; and where one is open, that without the squares before it.
        let mut begins = vec![0.0; n + 1];
        let mut begun = vec![f64::INFINITY; (n + 1).next_multiple_of(BLOCK)];
        // The block in which the best stretch up to each row begins.
        let mut block_of = vec![0_u32; n + 1];
        let mut blocks: Vec<Block> = Vec::new();
        // The place of the block that was best last: first to be asked, it spares most others.
        let mut favourite = 0;
        for end in min_size..=n {
            // A start is open as soon as a stretch from there is long enough; and so must be what is before it.
            let start = end - min_size;
            if start == 0 || start >= min_size {
                begun[start] = begins[start] - of.squares[start];
                let first = start - start % BLOCK;
                if blocks.last().is_none_or(|last| last.first < first) {
                    blocks.push(Block {
                        first,
                        least: f64::INFINITY,
                        beaten: None,
                    });
                }
                if let Some(last) = blocks.last_mut() {
                    last.least = last.least.min(begins[start]);
                }
            }
            let mut best = of.least(simd, &begun, blocks[favourite].first, end);
            blocks[favourite].least = best;
            for (at, block) in blocks.iter_mut().enumerate() {
                if block.least > best || at == favourite {
                    continue;
                }
                // Of those that cost the same, the first.
                block.least = of.least(simd, &begun, block.first, end);
                if block.least < best || (block.least == best && at < favourite) {
                    (best, favourite) = (block.least, at);
                }
            }
            let best_first = blocks[favourite].first;
            block_of[end] = best_first as u32;
            // What starts here begins with this; those that cost more already can never be best again, from the row on
            // where a stretch from here may end. Those that cost the same stay: they come first.
            begins[end] = best + penalty;
            if end % LEAVE_OUT == 0 {
                for block in &mut blocks {
                    let full = start + 1 >= block.first + BLOCK;
                    if full && block.beaten.is_none() && block.least > begins[end] {
                        block.beaten = Some(end + min_size);
                    }
                }
                blocks.retain(|block| block.beaten.is_none_or(|beaten| beaten > end + 1));
                let kept = blocks.iter().position(|block| block.first == best_first);
                favourite = kept.unwrap_or(0);
            }
        }
        backwards(n, |end| {
            let first = block_of[end] as usize;
            let last = (first + BLOCK).min(end + 1 - min_size);
            let cost = |start: usize| of.cost(begun[start], start, end);
            let better = |best, start| {
                if cost(start) < cost(best) {
                    start
                } else {
                    best
                }
            };
            (first..last).reduce(better).unwrap_or(first)
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn costs_are_as_accurate_as_promised() {
        // Whole numbers, of which the definition can be worked out without rounding.
        let value = |row: usize| {
            let level = [0, 900_000, -400_000, 50_000][row / 300 % 4];
            level + (row * 7919 % 1000) as i64
        };
        let values: Vec<f64> = (0..3000).map(|row| value(row) as f64).collect();
        let series = [Series::of(&values, 1.0)];
        // The least penalty, nearly, for which they are promised to be accurate enough.
        let mut penalty = 1.0;
        let sums = loop {
            match Sums::of(&series, penalty) {
                Some(sums) => break sums,
                None => penalty *= 1.1,
            }
        };
        let mut worst = 0.0_f64;
        for start in (0..3000).step_by(7) {
            let (mut sum, mut squares) = (0_i128, 0_i128);
            for row in start..3000 {
                let value = i128::from(value(row));
                sum += value;
                squares += value * value;
                let count = (row + 1 - start) as i128;
                let whole = count * squares - sum * sum;
                let expected = (whole / count) as f64 + (whole % count) as f64 / count as f64;
                let found = sums.cost(-sums.squares[start], start, row + 1);
                worst = worst.max((found - expected).abs());
            }
        }
        let promised = Sums::ACCURACY * penalty;
        assert!(worst > 0.0 && worst <= promised, "{worst} {promised}");
    }

    #[test]
    fn a_block_costs_what_its_best_start_does() {
        for (n, missing) in [
            (40, 0..0),
            (40, 11..14),
            (40, 30..37),
            (36, 33..35),
            (31, 20..31),
        ] {
            let whole: Vec<f64> = (0..n).map(|row| (row * 7 % 5) as f64).collect();
            let mut some = whole.clone();
            some[missing].fill(f64::NAN);
            let series = [Series::of(&some, 1.0), Series::of(&whole, 2.0)];
            let sums = Sums::of(&series, f64::INFINITY).unwrap();
            for end in 1..=n {
                for start in 0..end {
                    let mut begun = vec![f64::INFINITY; sums.series[0].sums.len()];
                    begun[start] = 1.0;
                    let first = start - start % BLOCK;
                    let found = sums.least(pulp::Scalar::new(), &begun, first, end);
                    assert_eq!(found, sums.cost(1.0, start, end), "{n} {start} {end}");
                }
            }
        }
    }

    #[test]
    fn sums_are_rounded_once() {
        let sums = prefix_sums(&[0.1; 100_000]);
        let mut plain = 0.0;
        let mut off = [0.0_f64; 2];
        for (number, sum) in sums.iter().enumerate() {
            // A product is rounded once too.
            let expected = 0.1 * number as f64;
            off[0] = off[0].max((sum - expected).abs() / expected.max(0.1));
            off[1] = off[1].max((plain - expected).abs() / expected.max(0.1));
            plain += 0.1;
        }
        assert!(off[0] <= f64::EPSILON && off[1] > 1e-13, "{off:?}");
    }
}
