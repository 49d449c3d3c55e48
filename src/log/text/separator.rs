//! What stands between the cells of a text file.

use crate::error::{Error, Fault};
use crate::log::options::SEPARATORS;

/// The separator of a header line: the only one that stands in it outside quotes and brackets.
///
/// A header of one column has none, and is read as with commas.
pub(super) fn of_header(text: &[u8], line: u64) -> Result<u8, Error> {
    let header = first_line(text);
    let mut found = candidates(header, true);
    if found.is_none() {
        // Brackets that don't close tell nothing.
        found = candidates(header, false);
    }
    let found = found.unwrap_or_default();
    match found.as_slice() {
        [] => Ok(b','),
        [only] => Ok(*only as u8),
        several => {
            let names: Vec<String> = several
                .iter()
                .map(|separator| match separator {
                    '\t' => "a tab".to_owned(),
                    other => format!("'{other}'"),
                })
                .collect();
            let mut fault = Fault::new(
                format!(
                    "the header holds {}: which stands between cells?",
                    names.join(" and ")
                ),
                format!(
                    "give separator=\"{}\", or whichever it is",
                    if several[0] == '\t' {
                        "tab".to_owned()
                    } else {
                        several[0].to_string()
                    }
                ),
            );
            fault.line = Some(line);
            Err(Error::Log(fault.into()))
        }
    }
}

/// The text up to the end of the first line that is not blank.
fn first_line(text: &[u8]) -> &[u8] {
    let start = text
        .iter()
        .position(|byte| !matches!(byte, b'\n' | b'\r'))
        .unwrap_or(text.len());
    let text = &text[start..];
    // A quoted header may hold a line break; an odd quote inside a plain one doesn't open anything.
    let (mut quoted, mut at_start) = (false, true);
    for (at, byte) in text.iter().enumerate() {
        match byte {
            b'"' if quoted => quoted = false,
            b'"' if at_start || at.checked_sub(1).is_some_and(|before| text[before] == b'"') => {
                quoted = true;
            }
            b'\n' | b'\r' if !quoted => return &text[..at],
            _ => {}
        }
        at_start = !quoted && u8_separators().any(|separator| separator == *byte);
    }
    text
}

fn u8_separators() -> impl Iterator<Item = u8> {
    SEPARATORS.into_iter().map(|separator| separator as u8)
}

/// The separators outside quotes, and outside brackets where these are heeded; nothing where brackets don't close.
fn candidates(header: &[u8], heed_brackets: bool) -> Option<Vec<char>> {
    let mut found: Vec<char> = Vec::new();
    let (mut quoted, mut at_start, mut depth) = (false, true, 0_i32);
    for (at, byte) in header.iter().enumerate() {
        let separator = SEPARATORS
            .into_iter()
            .find(|separator| *separator as u8 == *byte);
        match byte {
            b'"' if quoted => quoted = false,
            b'"' if at_start
                || at
                    .checked_sub(1)
                    .is_some_and(|before| header[before] == b'"') =>
            {
                quoted = true;
            }
            b'[' | b'(' if heed_brackets && !quoted => depth += 1,
            b']' | b')' if heed_brackets && !quoted => depth -= 1,
            _ => {}
        }
        if depth < 0 {
            return None;
        }
        at_start = !quoted && depth == 0 && separator.is_some();
        if let Some(separator) = separator.filter(|_| at_start)
            && !found.contains(&separator)
        {
            found.push(separator);
        }
    }
    (depth == 0).then_some(found)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_only_one_outside_quotes_and_brackets() {
        for (header, separator) in [
            ("time,feed_pressure [psi]\n1;2", b','),
            ("time;feed_pressure [psi]", b';'),
            ("\n\ntime\tfeed_pressure (psi, at the skid)", b'\t'),
            ("time|\"P1, P2; both\"|x", b'|'),
            ("time;\"two\nlines, one cell\";x\n", b';'),
            ("time;a 6\" pipe;x, ", 0),
            ("time;\"said \"\"a, b\"\"\";x", b';'),
            ("time", b','),
            ("time;remark [unclosed;x", b';'),
            ("time,remark) [unclosed;x", 0),
        ] {
            let found = of_header(header.as_bytes(), 1);
            assert_eq!(
                found.as_ref().ok().copied(),
                (separator != 0).then_some(separator),
                "{header}"
            );
        }
        let error = of_header(b"time;feed_pressure [bar];remark, if any", 3).unwrap_err();
        assert!(error.to_string().contains("line 3"), "{error}");
        assert!(error.to_string().contains("separator=\";\""), "{error}");
    }
}
