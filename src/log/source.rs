//! Files: what kind one is, by its first bytes, and its readings block by block.

use std::fs::File;
use std::io::{BufReader, Cursor, Read, Seek, SeekFrom};
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};

use super::excel;
use super::header::Header;
use super::join::join;
use super::options::ReadOptions;
use super::parquet::ParquetBlocks;
use super::rows::{Assembler, Rows};
use super::text::TextBlocks;
use super::{Log, no_rows};
use crate::buffer::keep_freed;
use crate::error::{Error, Fault, Faults};

/// What a file is, by its first bytes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Kind {
    Text,
    Gzip,
    Zstd,
    Workbook,
    Parquet,
}

impl Kind {
    fn of(start: &[u8]) -> Self {
        match start {
            [0x1f, 0x8b, ..] => Self::Gzip,
            // A frame, or one to be skipped, which some writers put in front.
            [0x28, 0xb5, 0x2f, 0xfd, ..] | [0x50..=0x5f, 0x2a, 0x4d, 0x18, ..] => Self::Zstd,
            [b'P', b'K', 3 | 5, 4 | 6, ..] | [0xd0, 0xcf, 0x11, 0xe0, ..] => Self::Workbook,
            [b'P', b'A', b'R', b'1', ..] => Self::Parquet,
            _ => Self::Text,
        }
    }
}

/// What a library makes of a file. Some panic at damage that they don't foresee; to us that is one more refusal,
/// after which the reader is not asked again.
pub(super) fn guarded<T>(path: &Path, read: impl FnOnce() -> Result<T, Error>) -> Result<T, Error> {
    catch_unwind(AssertUnwindSafe(read))
        .unwrap_or_else(|_| Err(Error::file(path, "read", "it is damaged")))
}

/// A file that keeps count of how much of it is read.
struct Counted {
    file: File,
    read: Arc<AtomicU64>,
}

impl Read for Counted {
    fn read(&mut self, into: &mut [u8]) -> std::io::Result<usize> {
        let read = self.file.read(into)?;
        self.read.fetch_add(read as u64, Ordering::Relaxed);
        Ok(read)
    }
}

/// The first bytes of a text, unpacked where it is compressed; none of what is no text.
pub(super) fn first_text(path: &Path, most: u64) -> Result<Option<Vec<u8>>, Error> {
    let cant_read = |cause| Error::file(path, "read", cause);
    let open = || File::open(path).map_err(|cause| Error::file(path, "opened", cause));
    let mut start = Vec::with_capacity(4);
    open()?.take(4).read_to_end(&mut start).map_err(cant_read)?;
    let text: Box<dyn Read> = match Kind::of(&start) {
        Kind::Text => Box::new(open()?),
        Kind::Gzip => Box::new(flate2::bufread::MultiGzDecoder::new(
            BufReader::new(open()?),
        )),
        Kind::Zstd => Box::new(zstd::stream::read::Decoder::new(open()?).map_err(cant_read)?),
        Kind::Workbook | Kind::Parquet => return Ok(None),
    };
    let mut bytes = Vec::new();
    text.take(most).read_to_end(&mut bytes).map_err(cant_read)?;
    Ok(Some(bytes))
}

/// The rows of a file, a block at a time.
pub(super) enum Blocks {
    Text(Box<TextBlocks>),
    Parquet(Box<ParquetBlocks>),
}

impl Blocks {
    /// Opens a file of whatever kind.
    pub fn open(path: &Path, options: &ReadOptions) -> Result<Self, Error> {
        options.check()?;
        let cant_read = |cause| Error::file(path, "read", cause);
        let mut file = File::open(path).map_err(|cause| Error::file(path, "opened", cause))?;
        let mut start = Vec::with_capacity(4);
        (&mut file)
            .take(4)
            .read_to_end(&mut start)
            .map_err(cant_read)?;
        file.seek(SeekFrom::Start(0)).map_err(cant_read)?;
        let bytes = file.metadata().map_or(0, |metadata| metadata.len());
        let read = Arc::new(AtomicU64::new(0));
        let counted = Counted {
            file,
            read: Arc::clone(&read),
        };
        let progress = (read, bytes);
        let text: Box<dyn Read + Send> = match Kind::of(&start) {
            Kind::Text => Box::new(counted),
            Kind::Gzip => Box::new(flate2::bufread::MultiGzDecoder::new(BufReader::new(
                counted,
            ))),
            Kind::Zstd => Box::new(zstd::stream::read::Decoder::new(counted).map_err(cant_read)?),
            Kind::Workbook => {
                let sheet = guarded(path, || excel::text(path, counted.file, options))?;
                return TextBlocks::of_sheet(path, Box::new(Cursor::new(sheet)), options)
                    .map(|blocks| Self::Text(Box::new(blocks)));
            }
            Kind::Parquet => {
                return guarded(path, || ParquetBlocks::open(path, counted.file, options))
                    .map(|blocks| Self::Parquet(Box::new(blocks)));
            }
        };
        let blocks = TextBlocks::of_file(path, text, progress, options)?;
        Ok(Self::Text(Box::new(blocks)))
    }

    /// What its columns are.
    pub fn header(&self, options: &ReadOptions) -> Result<Header, Error> {
        match self {
            Self::Text(blocks) => Header::resolve(&blocks.titles, &blocks.units, options),
            Self::Parquet(blocks) => Header::resolve(&blocks.titles(), &[], options),
        }
    }

    fn next_rows(&mut self, header: &Header) -> Result<Option<Rows>, Error> {
        match self {
            Self::Text(blocks) => blocks.next_rows(header),
            Self::Parquet(blocks) => blocks.next_rows(header),
        }
    }

    /// What share is read, 0 to 1.
    fn share(&self) -> f64 {
        match self {
            Self::Text(blocks) => blocks.share(),
            Self::Parquet(blocks) => blocks.share(),
        }
    }
}

/// Reads a file as a run of logs, each of a block of rows, in bounded memory.
///
/// Text, plain or compressed by gzip or zstd, comes in blocks of about 2 MiB, Parquet in batches of rows. (A
/// sheet of a workbook is unpacked as a whole first: that is how such files are made.) Iteration ends after the
/// first error.
pub struct LogReader {
    blocks: Blocks,
    assembler: Assembler,
    failed: bool,
}

impl LogReader {
    /// Opens a file and understands its header.
    ///
    /// # Errors
    /// [`Error::File`] where it can't be opened or is damaged; [`Error::Log`] with every fault of the options and
    /// the header, and where readings would have to be sorted, which takes the whole log.
    pub fn open(path: &Path, options: ReadOptions) -> Result<Self, Error> {
        if options.sorts() {
            let fault = Fault::new(
                "readings can't be sorted a block at a time",
                "leave sort out, or read the log as a whole",
            );
            return Err(Error::Log(fault.at_column("sort").into()));
        }
        let mut reader = Self::new(path, options)?;
        reader.refuse_unmet()?;
        keep_freed();
        Ok(reader)
    }

    fn new(path: &Path, options: ReadOptions) -> Result<Self, Error> {
        let blocks = Blocks::open(path, &options)?;
        let header = blocks.header(&options)?;
        let mut assembler = Assembler::new(header, options);
        assembler.path = Some(path.to_owned());
        if let Blocks::Parquet(blocks) = &blocks {
            assembler.zone = blocks.zone_of_times(&assembler.header);
        }
        Ok(Self {
            blocks,
            assembler,
            failed: false,
        })
    }

    fn refuse_unmet(&mut self) -> Result<(), Error> {
        std::mem::take(&mut self.assembler.header.unmet).into_result(Error::Log)
    }

    /// All of the file.
    fn whole(mut self, watch: &mut dyn FnMut(f64)) -> Result<Log, Error> {
        let mut rows = Rows::new(&self.assembler.header, 0);
        while let Some(block) = self.blocks.next_rows(&self.assembler.header)? {
            rows.append(block);
            watch(self.blocks.share());
        }
        let log = self.assembler.log(rows)?;
        if log.table.is_empty() {
            return Err(no_rows(self.assembler.path.as_deref()));
        }
        Ok(log)
    }
}

impl Iterator for LogReader {
    type Item = Result<Log, Error>;

    fn next(&mut self) -> Option<Self::Item> {
        if self.failed {
            return None;
        }
        let read = self
            .blocks
            .next_rows(&self.assembler.header)
            .and_then(|rows| rows.map(|rows| self.assembler.log(rows)).transpose());
        self.failed = read.is_err();
        read.transpose()
    }
}

/// Reads a whole file: text with separators, plain or compressed by gzip or zstd, a workbook (.xlsx, .xls, .ods),
/// or Parquet, told apart by their first bytes.
///
/// # Errors
/// [`Error::File`] where it can't be opened or is damaged; [`Error::Log`] with every fault of options, header and
/// cells.
pub fn read_log(path: &Path, options: &ReadOptions) -> Result<Log, Error> {
    read_logs(&[path.to_owned()], options, |_| {})
}

/// Reads the files of one plant as one log, and tells `watch` now and then what share is read, 0 to 1.
///
/// Each file is read by the same options and keeps its own header; a name in the options has to be in one of
/// them. The log has the columns of all, missing where a file lacks one, in the order of time; each column keeps
/// the unit of the first file that has it.
///
/// # Errors
/// As [`read_log`], with the file in each fault where there are several.
pub fn read_logs(
    paths: &[PathBuf],
    options: &ReadOptions,
    mut watch: impl FnMut(f64),
) -> Result<Log, Error> {
    if let [path] = paths {
        let mut reader = LogReader::new(path, options.clone())?;
        reader.refuse_unmet()?;
        return reader.whole(&mut watch);
    }
    options.check()?;
    let mut logs = Vec::with_capacity(paths.len());
    let mut faults = Faults::default();
    // What no file has so far.
    let mut unmet: Option<Vec<Fault>> = None;
    for (at, path) in paths.iter().enumerate() {
        let mut share = |share: f64| watch((at as f64 + share) / paths.len() as f64);
        let read = LogReader::new(path, options.clone()).and_then(|reader| {
            let here = reader.assembler.header.unmet.list();
            match &mut unmet {
                Some(unmet) => {
                    unmet.retain(|fault| here.iter().any(|here| here.column == fault.column));
                }
                None => unmet = Some(here.to_vec()),
            }
            reader.whole(&mut share)
        });
        match read.map_err(|error| error.in_file(path)) {
            Ok(log) => logs.push(log),
            Err(Error::Log(those)) => faults.append(those),
            Err(other) => return Err(other),
        }
    }
    if faults.is_empty() {
        for fault in unmet.into_iter().flatten() {
            faults.push(fault);
        }
    }
    faults.into_result(Error::Log)?;
    join(logs)
}
