//! Columns of figures, shared and not changed once filled.
//!
//! A result has some twenty columns. In pieces of ordinary memory the system would hand them over page by
//! page, which takes longer than working them out; one mapping in huge pages doesn't.

use std::ops::{Deref, Range};
use std::sync::Arc;

use memmap2::MmapMut;

/// A column of figures.
#[derive(Debug, Clone)]
pub struct Values(Storage);

#[derive(Debug, Clone)]
enum Storage {
    Own {
        values: Arc<Vec<f64>>,
        rows: Range<usize>,
    },
    Part {
        map: Arc<MmapMut>,
        start: usize,
        rows: usize,
    },
}

impl Deref for Values {
    type Target = [f64];

    #[inline]
    fn deref(&self) -> &[f64] {
        match &self.0 {
            Storage::Own { values, rows } => &values[rows.clone()],
            Storage::Part { map, start, rows } => {
                // A mapping starts at a page, so its bytes are aligned for figures.
                &bytemuck::cast_slice::<u8, f64>(map)[*start..*start + *rows]
            }
        }
    }
}

impl From<Vec<f64>> for Values {
    fn from(values: Vec<f64>) -> Self {
        let rows = 0..values.len();
        let values = Arc::new(values);
        Self(Storage::Own { values, rows })
    }
}

impl Values {
    /// Some of its rows: most of them without a copy, a few as one, so that they don't keep the whole in memory.
    pub(crate) fn rows(&self, range: Range<usize>) -> Self {
        match &self.0 {
            Storage::Own { values, rows } if range.len() > values.len() / 2 => Self(Storage::Own {
                values: Arc::clone(values),
                rows: rows.start + range.start..rows.start + range.end,
            }),
            _ => self[range].to_vec().into(),
        }
    }
}

impl Default for Values {
    fn default() -> Self {
        Vec::new().into()
    }
}

/// Has memory that is freed stay with the process, some tens of MB of it, for the next block of a log to be put into: an
/// allocator that hands it back to the system at once gets it again page by page, which takes longer than what is done
/// with it. The GNU library's takes its measure from the largest piece that was freed, up to 32 MiB (mallopt(3)); to
/// others this is nothing.
pub(crate) fn keep_freed() {
    drop(std::hint::black_box(Vec::<u8>::with_capacity(
        LARGE - (1 << 16),
    )));
}

/// Larger results than this lie in a mapping of their own.
const LARGE: usize = 32 << 20;

/// Makes columns of equal length, which `fill` is handed as zeros to write into.
pub(crate) fn fill_columns(
    columns: usize,
    rows: usize,
    fill: impl FnOnce(Vec<&mut [f64]>),
) -> Vec<Values> {
    let cut = |all| -> Vec<&mut [f64]> { <[f64]>::chunks_exact_mut(all, rows.max(1)).collect() };
    let bytes = columns.saturating_mul(rows.saturating_mul(size_of::<f64>()));
    if bytes >= LARGE
        && let Ok(mut map) = MmapMut::map_anon(bytes)
    {
        // Only a hint: without it the figures are the same.
        #[cfg(target_os = "linux")]
        let _ = map.advise(memmap2::Advice::HugePage);
        fill(cut(bytemuck::cast_slice_mut(&mut map)));
        let map = Arc::new(map);
        let part = |column| Storage::Part {
            map: Arc::clone(&map),
            start: column * rows,
            rows,
        };
        return (0..columns).map(|column| Values(part(column))).collect();
    }
    let mut all = vec![0.0; columns * rows];
    fill(cut(&mut all));
    let values = Arc::new(all);
    let part = |column| Storage::Own {
        values: Arc::clone(&values),
        rows: column * rows..(column + 1) * rows,
    };
    (0..columns).map(|column| Values(part(column))).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn some_rows_are_those_of_the_whole() {
        let whole = Values::from((0..100).map(f64::from).collect::<Vec<f64>>());
        for range in [0..100, 5..90, 40..45, 0..0, 100..100] {
            let some = whole.rows(range.clone());
            assert_eq!(some.to_vec(), whole[range].to_vec());
        }
        let (some, whole) = (whole.rows(10..90), &whole[10..90]);
        assert_eq!(some.rows(3..70).to_vec(), whole[3..70].to_vec());
        assert_eq!(some.rows(3..10).to_vec(), whole[3..10].to_vec());
    }

    #[test]
    fn columns_are_apart() {
        for (columns, rows) in [(3, 5), (1, 1), (2, 0), (0, 4)] {
            let made = fill_columns(columns, rows, |parts| {
                for (at, part) in parts.into_iter().enumerate() {
                    part.fill(at as f64);
                }
            });
            assert_eq!(made.len(), columns);
            for (at, column) in made.iter().enumerate() {
                assert_eq!(column.to_vec(), vec![at as f64; rows]);
            }
        }
    }
}
