//! The proposal as a mapping file: TOML to be read, corrected and given with --mapping.

use std::fmt::Write;

use super::{Confidence, Decimal, Description, Meaning, Proposal};

const HEAD: &str = "# Proposed by brinemark describe: read it, correct it, then use it with --mapping. Nothing of it was applied.\n";

impl Description {
    /// The text of a mapping file. What is less than likely stands in comments, with its alternatives.
    ///
    /// ```
    /// use brinemark::log::describe::describe;
    /// let text = describe(&["X".into()], &[vec!["1".into()]], None).mapping();
    /// assert!(text.contains("[columns]"));
    /// ```
    pub fn mapping(&self) -> String {
        let mut text = HEAD.to_owned();
        for note in &self.notes {
            push(&mut text, format_args!("# {}\n", one_line(note)));
        }
        if self.time.as_ref().is_none_or(|time| !time.zone_stated) {
            text.push_str("# time_zone = \"...\"           # the file does not tell; needed\n");
        }
        if let Some(time) = &self.time
            && let Some(format) = &time.format
        {
            match &time.undecided {
                Some(other) => push(
                    &mut text,
                    format_args!(
                        "# time_format = {}   # or {}: the file does not tell; needed\n",
                        quoted(format),
                        quoted(other)
                    ),
                ),
                None => push(
                    &mut text,
                    format_args!("time_format = {}\n", quoted(format)),
                ),
            }
        }
        if let Some(separator) = self.separator.filter(|separator| *separator != ',') {
            push(
                &mut text,
                format_args!("separator = {}\n", quoted(&separator.to_string())),
            );
        }
        if let Some(row) = self.header_row {
            push(&mut text, format_args!("header_row = {row}\n"));
        }
        if self.decimal == Decimal::Comma {
            text.push_str("decimal = \",\"\n");
        }
        text.push_str("\n[columns]\n");
        for (place, column) in self.columns.iter().enumerate() {
            let earlier = self.columns.iter().take(place);
            let twice = earlier.clone().any(|other| other.header == column.header);
            // A target is given once: a second column of the same name is for its reader to decide.
            let taken = column.proposal.is_some()
                && earlier
                    .clone()
                    .any(|other| other.confidence >= Confidence::Likely && same(other, column));
            push(
                &mut text,
                format_args!("{}\n", line(column, twice || taken)),
            );
        }
        text
    }

    /// All of it as JSON.
    pub fn to_json(&self) -> String {
        serde_json::to_string_pretty(self).unwrap_or_default()
    }
}

fn same(a: &Proposal, b: &Proposal) -> bool {
    match (a.proposal, b.proposal) {
        (
            Some(Meaning::Reading {
                column: a,
                stage: s,
                ..
            }),
            Some(Meaning::Reading {
                column: b,
                stage: t,
                ..
            }),
        ) => (a, s) == (b, t),
        (a, b) => a == b,
    }
}

fn line(column: &Proposal, undecided: bool) -> String {
    let key = quoted(&column.header);
    let why = one_line(&column.evidence.join("; "));
    let or = if column.alternatives.is_empty() {
        String::new()
    } else {
        format!("; or {}", listed(&column.alternatives))
    };
    if column.no_readings && !undecided {
        return format!("{key} = false   # {why}");
    }
    let target = column
        .proposal
        .map_or_else(|| "...".to_owned(), |meaning| meaning.to_string());
    let entry = format!("{key} = {}", quoted(&target));
    if column.confidence >= Confidence::Likely && !undecided {
        return format!("{entry:56}# {}: {why}{or}", column.confidence.name());
    }
    format!(
        "# {entry:54}# {} (undecided): {why}{or}",
        column.confidence.name()
    )
}

/// A text as TOML writes it. JSON's escapes are among TOML's, which also forbids a bare DEL.
fn quoted(text: &str) -> String {
    serde_json::Value::from(text)
        .to_string()
        .replace('\u{7f}', "\\u007f")
}

/// A text without line breaks and other control characters, which a comment may not hold.
pub(super) fn one_line(text: &str) -> String {
    text.chars()
        .map(|c| if c.is_control() { ' ' } else { c })
        .collect()
}

/// "a [bar], b [psi]"
pub(super) fn listed(meanings: &[Meaning]) -> String {
    let words: Vec<String> = meanings.iter().map(Meaning::to_string).collect();
    words.join(", ")
}

fn push(text: &mut String, arguments: std::fmt::Arguments<'_>) {
    // Writing into a string can't fail.
    let _ = text.write_fmt(arguments);
}
