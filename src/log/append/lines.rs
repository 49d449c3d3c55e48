//! Whole lines at the end of a file: one write each, on the disk before anybody is told.
//!
//! What makes a line *committed* is its line end. A last line without one is taken
//! - for cut, where it is the beginning of the line that was last written here ([`Written`]), or doesn't have the header's
//!   number of cells, or holds zero bytes (blocks that a power cut left unwritten). It goes to `torn.csv`;
//! - for whole, where it has all its cells and nothing was written here since, as editors leave a last line, or where only its
//!   line end is missing. It is given its line end.

use std::fs::{File, OpenOptions};
use std::io::Write;
use std::path::Path;

use jiff::Timestamp;

use super::lock::{Lock, Written};
use crate::error::{Error, Fault};

/// Where cut lines are kept.
pub const TORN_FILE: &str = "torn.csv";

/// How a file ends.
#[derive(Debug, PartialEq, Eq)]
pub(crate) enum End {
    /// With a line end, or it is empty.
    Whole,
    /// With a whole line that lacks its line end.
    Unended,
    /// With a line that was cut while it was written, from this byte on.
    Torn(usize),
}

impl End {
    /// How a text ends. `last`: the line that was last written to it here; `has_all_cells`: of a line without its end.
    pub fn of(text: &[u8], last: Option<&Written>, has_all_cells: impl Fn(&[u8]) -> bool) -> Self {
        if let Some(end) = last.and_then(|last| Self::by_last(text, last)) {
            return end;
        }
        let from = memchr::memrchr(b'\n', text).map_or(0, |at| at + 1);
        match &text[from..] {
            [] => Self::Whole,
            [b'\r'] => Self::Unended,
            tail if !tail.contains(&0) && has_all_cells(tail) => Self::Unended,
            _ => Self::Torn(from),
        }
    }

    /// How it ends, where it ends within the line that was last written; zeros stand for what was not written.
    fn by_last(text: &[u8], last: &Written) -> Option<Self> {
        let at = usize::try_from(last.at).ok()?;
        let here = text.get(at..).filter(|here| !here.is_empty())?;
        let at_line = at == 0 || text[at - 1] == b'\n';
        let begins = here.len() <= last.line.len()
            && here
                .iter()
                .zip(&last.line)
                .all(|(is, was)| is == was || *is == 0);
        if !at_line || !begins || here == last.line {
            return None;
        }
        let only_end_missing = !here.contains(&0) && without_end(here) == without_end(&last.line);
        Some(if only_end_missing {
            Self::Unended
        } else {
            Self::Torn(at)
        })
    }
}

/// A line without what ends it. A tab may be an empty cell, and belongs to it.
pub(crate) fn without_end(line: &[u8]) -> &[u8] {
    let line = line.strip_suffix(b"\n").unwrap_or(line);
    line.strip_suffix(b"\r").unwrap_or(line)
}

/// Mends how a file of the folder ends, so that a line may follow; says what was done, or nothing.
///
/// # Errors
/// [`Error::File`] where it can't be written.
pub(crate) fn mend(
    path: &Path,
    text: &[u8],
    end: &End,
    line_end: &str,
) -> Result<Option<String>, Error> {
    let name = name_of(path);
    match end {
        End::Whole => Ok(None),
        End::Unended => {
            let line_end = if text.ends_with(b"\r") {
                "\n"
            } else {
                line_end
            };
            write_at_end(path, line_end.as_bytes())?;
            Ok(Some(format!(
                "{name}: its last line had all its cells but no line end; it was given one"
            )))
        }
        End::Torn(from) => {
            let torn = &text[*from..];
            let folder = path.parent().unwrap_or(Path::new(""));
            let now = now();
            let cells = [
                now.as_bytes(),
                name.as_bytes(),
                from.to_string().as_bytes(),
                torn,
            ]
            .map(<[u8]>::to_vec);
            // First kept, then taken away: what is cut in between is there twice, not lost.
            keep(
                &folder.join(TORN_FILE),
                &["recovered", "file", "byte", "line"],
                &cells,
            )?;
            cut(path, *from as u64)?;
            Ok(Some(format!(
                "{name}: its last line was cut while it was written, and is no reading: '{}'. It was moved to {TORN_FILE}",
                shown(torn)
            )))
        }
    }
}

/// Adds a line, with its line end, to a file that ends with a whole one; when this returns, it is on the disk.
///
/// # Errors
/// [`Error::File`]: the file is as it was, or, where only the disk can't be asked, may have the line.
pub(crate) fn append(lock: &mut Lock, path: &Path, at: u64, line: &[u8]) -> Result<(), Error> {
    lock.about_to_write(Written {
        file: name_of(path),
        at,
        line: line.to_vec(),
    })?;
    write_at_end(path, line)
}

/// Adds a row to a file that only people read, which is made where there is none.
pub(crate) fn keep(path: &Path, header: &[&str], cells: &[Vec<u8>]) -> Result<(), Error> {
    let start = match std::fs::read(path) {
        Ok(text) if text.is_empty() || text.ends_with(b"\n") => Vec::new(),
        Ok(_) => b"\n".to_vec(),
        Err(_) => row(b',', "\n", header),
    };
    write_at_end(path, &[start, row(b',', "\n", cells)].concat())
}

/// A row as it is written, in quotes where it has to be.
pub(crate) fn row<C: AsRef<[u8]>>(separator: u8, line_end: &str, cells: &[C]) -> Vec<u8> {
    let mut writer = csv::WriterBuilder::new()
        .delimiter(separator)
        .from_writer(Vec::new());
    // Writing into a Vec doesn't fail.
    let _ = writer.write_record(cells);
    let mut line = writer.into_inner().unwrap_or_default();
    while line.last() == Some(&b'\n') {
        line.pop();
    }
    line.extend_from_slice(line_end.as_bytes());
    line
}

/// One write of all of it, then the disk. What was written in part is taken back.
fn write_at_end(path: &Path, bytes: &[u8]) -> Result<(), Error> {
    let fail = |cause: std::io::Error| Error::file(path, "written", cause);
    let is_new = !path.exists();
    let mut file = OpenOptions::new()
        .append(true)
        .create(true)
        .open(path)
        .map_err(fail)?;
    let before = file.metadata().map_err(fail)?.len();
    match file.write(bytes) {
        Ok(written) if written == bytes.len() => {}
        outcome => {
            // Where this fails too, the next to open the folder finds a cut line.
            let _ = file.set_len(before);
            let _ = file.sync_all();
            return Err(match outcome {
                Err(cause) => fail(cause),
                Ok(_) => Error::file(path, "written", "the disk took only a part"),
            });
        }
    }
    file.sync_all().map_err(fail)?;
    if is_new && let Some(folder) = path.parent() {
        sync_folder(folder)?;
    }
    Ok(())
}

fn cut(path: &Path, length: u64) -> Result<(), Error> {
    OpenOptions::new()
        .write(true)
        .open(path)
        .and_then(|file| {
            file.set_len(length)?;
            file.sync_all()
        })
        .map_err(|cause| Error::file(path, "written", cause))
}

/// Puts a folder's list of files on the disk, where the system can be asked to.
pub(crate) fn sync_folder(folder: &Path) -> Result<(), Error> {
    let folder = if folder.as_os_str().is_empty() {
        Path::new(".")
    } else {
        folder
    };
    if cfg!(unix) {
        File::open(folder)
            .and_then(|file| file.sync_all())
            .map_err(|cause| Error::file(folder, "written", cause))?;
    }
    Ok(())
}

pub(crate) fn name_of(path: &Path) -> String {
    path.file_name()
        .map(|name| name.to_string_lossy().into_owned())
        .unwrap_or_default()
}

/// The time of day, as tables of the folder note it.
pub(crate) fn now() -> String {
    Timestamp::now().strftime("%Y-%m-%dT%H:%M:%SZ").to_string()
}

/// A line of whatever bytes, as a message shows it.
fn shown(line: &[u8]) -> String {
    let fault = Fault::default().with_value(String::from_utf8_lossy(line).replace('\0', "·"));
    fault.value.unwrap_or_default()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn end(text: &str, last: Option<(u64, &str)>) -> End {
        let last = last.map(|(at, line)| Written {
            file: "log.csv".to_owned(),
            at,
            line: line.as_bytes().to_vec(),
        });
        let three = |line: &[u8]| line.iter().filter(|byte| **byte == b',').count() == 2;
        End::of(text.as_bytes(), last.as_ref(), three)
    }

    #[test]
    fn a_line_is_committed_by_its_end() {
        assert_eq!(end("", None), End::Whole);
        assert_eq!(end("a,b,c\n1,2,3\n", None), End::Whole);
        assert_eq!(end("a,b,c", None), End::Unended);
        assert_eq!(end("a,b,c\n1,2,3", None), End::Unended);
        assert_eq!(end("a,b,c\n1,2,3\r", None), End::Unended);
        assert_eq!(end("a,b,c\n1,2", None), End::Torn(6));
        assert_eq!(end("a,b,c\n1,2,\0\0", None), End::Torn(6));
    }

    #[test]
    fn what_was_last_written_tells_a_cut_line_with_all_its_cells() {
        let last = Some((6, "1,2,4.52\r\n"));
        assert_eq!(end("a,b,c\n1,2,4.5", last), End::Torn(6));
        assert_eq!(end("a,b,c\n1,2,4.52", last), End::Unended);
        assert_eq!(end("a,b,c\n1,2,4.52\r", last), End::Unended);
        assert_eq!(end("a,b,c\n1,2,4.52\r\n", last), End::Whole);
        // The second half reached the disk, the first did not.
        assert_eq!(end("a,b,c\n\0\0\0\0\x004.52\r\n", None), End::Whole);
        assert_eq!(end("a,b,c\n\0\0\0\x004.52\r\n", last), End::Torn(6));
        // Nothing of it was written, or others wrote behind it since.
        assert_eq!(end("a,b,c\n", last), End::Whole);
        assert_eq!(end("a,b,c\n1,2,4.52\r\n5,6,7", last), End::Unended);
        // The file was written anew, shorter or longer.
        assert_eq!(end("a,b", last), End::Torn(0));
        assert_eq!(end("a,b,c\n7,8,9\n1,2,3", last), End::Unended);
    }

    #[test]
    fn rows_keep_their_dialect() {
        assert_eq!(row(b';', "\r\n", &["1,5", "a;b", ""]), b"1,5;\"a;b\";\r\n");
        assert_eq!(
            row(b',', "\n", &["1", "say \"x\""]),
            b"1,\"say \"\"x\"\"\"\n"
        );
    }
}
