//! One at a time: an advisory lock on a folder, with who holds it and what was last written under it.

use std::fs::{File, OpenOptions, TryLockError};
use std::io::{ErrorKind, Read, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use jiff::Timestamp;

use crate::error::{Error, Fault};

/// The file that is locked. It stays when the lock is let go: taking it away could give the lock to two.
pub const LOCK_FILE: &str = "folder.lock";

/// Room for who holds the lock, at the file's start. It is rewritten in its place, so that what stands behind it, the line
/// last written, is there whatever happens meanwhile.
const HOLDER_BYTES: usize = 160;
/// How long between two tries.
const PAUSE: Duration = Duration::from_millis(5);

/// A line as it was to be written, and where. It is on the disk before the line is: so a line that was cut short is known
/// for one, also where it happens to have all its cells ("4.5" of "4.52").
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Written {
    /// The name of the file.
    pub file: String,
    /// The byte it starts at.
    pub at: u64,
    /// All of it, with its line end.
    pub line: Vec<u8>,
}

/// A folder that nobody else writes to. Let go when it is dropped, and when the process ends, however it ends.
#[derive(Debug)]
pub(crate) struct Lock {
    file: File,
    path: PathBuf,
    /// The last line that was written, or was about to be.
    pub last: Option<Written>,
}

impl Lock {
    /// Takes the lock of a folder, waiting for it as long as this; `None` where the folder can't be written at all.
    ///
    /// # Errors
    /// [`Error::File`] says who holds it, or why it can't be taken.
    pub fn take(folder: &Path, wait: Duration, who: &str) -> Result<Option<Self>, Error> {
        let path = folder.join(LOCK_FILE);
        let opened = OpenOptions::new()
            .read(true)
            .write(true)
            .create(true)
            .truncate(false)
            .open(&path);
        let file = match opened {
            Ok(file) => file,
            Err(cause) if is_read_only(&cause) => return Ok(None),
            Err(cause) => return Err(Error::file(&path, "opened", cause)),
        };
        let start = Instant::now();
        loop {
            match file.try_lock() {
                Ok(()) => break,
                Err(TryLockError::WouldBlock) if start.elapsed() < wait => {
                    std::thread::sleep(PAUSE);
                }
                Err(TryLockError::WouldBlock) => return Err(busy(folder, &path, wait)),
                Err(TryLockError::Error(cause)) => {
                    return Err(Error::File(Fault::new(
                        format!("{} can't be locked: {cause}", path.display()),
                        "keep the folder on a disk of this machine, or on a share that knows locks",
                    )));
                }
            }
        }
        let mut lock = Self {
            file,
            path,
            last: None,
        };
        lock.last = lock.read()?;
        lock.sign(who)?;
        Ok(Some(lock))
    }

    /// The line that was last written.
    fn read(&mut self) -> Result<Option<Written>, Error> {
        let mut text = Vec::new();
        self.file
            .read_to_end(&mut text)
            .map_err(|cause| Error::file(&self.path, "read", cause))?;
        Ok(text.get(HOLDER_BYTES..).and_then(parse))
    }

    /// Writes down who holds it, for those who wait.
    fn sign(&mut self, who: &str) -> Result<(), Error> {
        let now = Timestamp::now().strftime("%Y-%m-%d %H:%M:%S UTC");
        let process = std::process::id();
        let holder = format!("{} (process {process}), since {now}", plain(who));
        let mut bytes = [b' '; HOLDER_BYTES];
        for (to, from) in bytes.iter_mut().zip(holder.bytes().take(HOLDER_BYTES - 1)) {
            *to = from;
        }
        bytes[HOLDER_BYTES - 1] = b'\n';
        self.put(0, &bytes)
    }

    /// Writes down a line that is about to be written to a file of the folder, so that it is on the disk before.
    pub fn about_to_write(&mut self, written: Written) -> Result<(), Error> {
        let mut bytes = format!("{}\n{}\n", written.file, written.at).into_bytes();
        bytes.extend_from_slice(&written.line);
        self.put(HOLDER_BYTES as u64, &bytes)?;
        self.file
            .set_len((HOLDER_BYTES + bytes.len()) as u64)
            .and_then(|()| self.file.sync_all())
            .map_err(|cause| Error::file(&self.path, "written", cause))?;
        self.last = Some(written);
        Ok(())
    }

    fn put(&mut self, at: u64, bytes: &[u8]) -> Result<(), Error> {
        self.file
            .seek(SeekFrom::Start(at))
            .and_then(|_| self.file.write_all(bytes))
            .map_err(|cause| Error::file(&self.path, "written", cause))
    }
}

fn parse(text: &[u8]) -> Option<Written> {
    let mut parts = text.splitn(3, |byte| *byte == b'\n');
    let file = std::str::from_utf8(parts.next()?).ok()?.to_owned();
    let at = std::str::from_utf8(parts.next()?).ok()?.parse().ok()?;
    let line = parts.next()?.to_vec();
    Some(Written { file, at, line })
}

fn is_read_only(cause: &std::io::Error) -> bool {
    matches!(
        cause.kind(),
        ErrorKind::PermissionDenied | ErrorKind::ReadOnlyFilesystem
    )
}

fn busy(folder: &Path, lock: &Path, wait: Duration) -> Error {
    // On some systems a locked file can't be read either.
    let holder = std::fs::read(lock).ok().and_then(|text| {
        let holder = text.get(..HOLDER_BYTES)?;
        Some(String::from_utf8_lossy(holder).trim().to_owned())
    });
    let holder = holder.filter(|holder| !holder.is_empty());
    Error::File(Fault::new(
        format!(
            "{} is being written by {}, for more than {} s now",
            folder.display(),
            holder.unwrap_or_else(|| "another program".to_owned()),
            wait.as_secs_f64()
        ),
        "try again when that is done",
    ))
}

/// Words on one line.
pub(crate) fn plain(text: &str) -> String {
    text.split(['\r', '\n'])
        .map(str::trim)
        .filter(|line| !line.is_empty())
        .collect::<Vec<_>>()
        .join(" ")
}
