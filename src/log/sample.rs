//! The first rows of a file as they stand, before anything is made of them.

use std::path::Path;

use super::options::ReadOptions;
use super::source::Blocks;
use crate::error::Error;

/// A look into a file.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Sample {
    /// The headers.
    pub titles: Vec<String>,
    /// The cells of the row of units, where the options say that there is one.
    pub units: Vec<String>,
    /// The cells of the first rows, as text; a ragged row has its own number of them.
    pub rows: Vec<Vec<String>>,
    /// What stands between the cells of a text file.
    pub separator: Option<char>,
    /// The line or sheet row of the header, from 1; none in Parquet.
    pub header_row: Option<u64>,
}

/// The headers and the first `rows` rows of any file that [`super::read_log`] reads, without a look at what the
/// columns are.
///
/// # Errors
/// [`Error::File`] where it can't be opened or is damaged; [`Error::Log`] where separator, sheet or header can't be
/// told.
pub fn sample(path: &Path, options: &ReadOptions, rows: usize) -> Result<Sample, Error> {
    Ok(match Blocks::open(path, options)? {
        Blocks::Text(blocks) => Sample {
            rows: blocks.sample(rows),
            separator: blocks.separator(),
            header_row: Some(blocks.header_row),
            titles: blocks.titles,
            units: blocks.units,
        },
        Blocks::Parquet(mut blocks) => Sample {
            titles: blocks.titles(),
            units: Vec::new(),
            rows: blocks.sample(rows)?,
            separator: None,
            header_row: None,
        },
    })
}
