//! Pairs that stand in falling order, found while sorting by merges.

use std::ops::ControlFlow;

/// Sorts `values`, and hands each inversion (a value and an earlier, greater one) to `each`, in bundles: all the values that
/// stand left of one and are greater, and that one. Stops where `each` says so, with `values` in no particular order.
///
/// O(n log n) beside what `each` does (W. R. Knight, J. Am. Stat. Assoc. 61 (1966) 436, from memory).
pub(super) fn visit<T: PartialOrd + Copy>(
    values: &mut Vec<T>,
    mut each: impl FnMut(&[T], T) -> ControlFlow<()>,
) {
    let n = values.len();
    let mut sorted = values.clone();
    let mut width = 1;
    while width < n {
        for start in (0..n).step_by(2 * width) {
            let middle = (start + width).min(n);
            let end = (start + 2 * width).min(n);
            let (mut left, mut right) = (start, middle);
            for place in &mut sorted[start..end] {
                if right == end || (left < middle && values[left] <= values[right]) {
                    *place = values[left];
                    left += 1;
                } else {
                    *place = values[right];
                    if left < middle && each(&values[left..middle], values[right]).is_break() {
                        return;
                    }
                    right += 1;
                }
            }
        }
        std::mem::swap(values, &mut sorted);
        width *= 2;
    }
}

/// How many inversions there are. Sorts its argument.
pub(super) fn count<T: PartialOrd + Copy>(values: &mut Vec<T>) -> u64 {
    let mut inversions = 0;
    visit(values, |greater, _| {
        inversions += greater.len() as u64;
        ControlFlow::Continue(())
    });
    inversions
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn each_inversion_is_met_once(values in prop::collection::vec(0..12_u32, 0..60)) {
            let mut met = Vec::new();
            let mut sorted = values.clone();
            visit(&mut sorted, |greater, one| {
                met.extend(greater.iter().map(|each| (*each, one)));
                ControlFlow::Continue(())
            });
            let mut expected = Vec::new();
            for (at, one) in values.iter().enumerate() {
                expected.extend(values[..at].iter().filter(|each| *each > one).map(|each| (*each, *one)));
            }
            prop_assert!(sorted.is_sorted());
            prop_assert_eq!(count(&mut values.clone()), expected.len() as u64);
            met.sort_unstable();
            expected.sort_unstable();
            prop_assert_eq!(met, expected);
        }
    }
}
