//! Mapping files: what a site's own headers mean and how its files are written, said once.
//!
//! ```toml
//! time_zone = "Etc/GMT+7"
//! time_format = "%d.%m.%Y %H:%M"
//! time_label = "interval-start"   # or "instant" (as if not given), "interval-end"
//! interval = "15 min"             # with a label of an interval
//! clock_change = "refuse"         # as if not given; or "by-order", "earlier", "later"
//! separator = ";"                 # , ; | or "tab"
//! decimal = ","
//! header_row = 3                  # from 1
//! units_row = false
//! sheet = "Data"
//! sort = false
//!
//! [columns]
//! "P-101 (psi)" = "feed_pressure [psi]"
//! "PT 2" = ["stage 1 concentrate_pressure [psi]", "stage 2 feed_pressure [psi]"]
//! "Operator" = false              # left out
//! ```

use std::path::Path;

use toml::Value;

use super::options::{ClockChange, ReadOptions, TimeLabel, decimal, interval_h, separator};
use crate::error::{Error, Fault, Faults};
use crate::keys::{self, Keys, wrong};

impl ReadOptions {
    /// What a mapping file says. Every key may be left out; the module's example has them all.
    ///
    /// # Errors
    /// [`Error::Log`] with every fault; an unknown key names the nearest known one.
    ///
    /// ```
    /// use brinemark::log::ReadOptions;
    ///
    /// let mapping = ReadOptions::from_toml("decimal = \",\"\n[columns]\n\"P1\" = \"feed_pressure [bar]\"").unwrap();
    /// assert_eq!(mapping.decimal, Some(','));
    /// assert!(ReadOptions::from_toml("decimals = \",\"").unwrap_err().to_string().contains("'decimal'"));
    /// ```
    pub fn from_toml(text: &str) -> Result<Self, Error> {
        let document =
            keys::document(text, "a mapping file").map_err(|fault| Error::Log(fault.into()))?;
        let mut faults = Faults::default();
        let faults_now = &mut faults;
        let mut file = Keys::new("the mapping:", Some(&document));
        let options = Self {
            time_zone: file.text("time_zone", faults_now),
            time_format: file.text("time_format", faults_now),
            time_label: file.choice("time_label", &TimeLabel::WORDS, faults_now),
            interval_h: read(&mut file, "interval", interval_h, faults_now),
            clock_change: file.choice("clock_change", &ClockChange::WORDS, faults_now),
            separator: read(&mut file, "separator", separator, faults_now),
            decimal: read(&mut file, "decimal", decimal, faults_now),
            header_row: file.count("header_row", faults_now).map(u64::from),
            units_row: file.flag("units_row", faults_now),
            sheet: file.text("sheet", faults_now),
            sort: file.flag("sort", faults_now),
            columns: file
                .table("columns", faults_now)
                .into_iter()
                .flatten()
                .filter_map(|(theirs, ours)| match targets(ours) {
                    Some(ours) => Some((theirs.clone(), ours)),
                    None => {
                        let right =
                            "\"feed_pressure [psi]\", a list of such, or false to leave it out";
                        faults_now.push(wrong(&format!("[columns] {theirs}"), ours, right));
                        None
                    }
                })
                .collect(),
            ..Self::default()
        };
        file.close(faults_now);
        faults.into_result(Error::Log)?;
        Ok(options)
    }

    /// What the mapping file at `path` says.
    ///
    /// # Errors
    /// [`Error::File`] where it can't be read; as [`ReadOptions::from_toml`].
    pub fn load(path: &Path) -> Result<Self, Error> {
        let text =
            std::fs::read_to_string(path).map_err(|cause| Error::file(path, "read", cause))?;
        Self::from_toml(&text)
    }
}

/// A setting that is written as text.
fn read<T>(
    file: &mut Keys<'_>,
    key: &'static str,
    parse: impl FnOnce(&str) -> Result<T, Fault>,
    faults: &mut Faults,
) -> Option<T> {
    let place = file.at(key);
    let text = file.text(key, faults)?;
    parse(&text)
        .map_err(|fault| faults.push(fault.at_column(place)))
        .ok()
}

/// What a header is renamed to; nothing where it is left out.
fn targets(value: &Value) -> Option<Vec<String>> {
    match value {
        Value::Boolean(false) => Some(Vec::new()),
        Value::String(ours) => Some(vec![ours.clone()]),
        Value::Array(several) if !several.is_empty() => several
            .iter()
            .map(|ours| ours.as_str().map(str::to_owned))
            .collect(),
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_fault_of_a_mapping_at_once() {
        let error = ReadOptions::from_toml(
            "time_labels = \"instant\"\nclock_change = \"by-oder\"\ninterval = \"15 psi\"\n\
             separator = \"x\"\nheader_row = 0\n[columns]\nP1 = true\nP2 = []\n",
        )
        .unwrap_err();
        let said = error.to_string();
        assert_eq!(error.faults().len(), 7, "{said}");
        assert!(said.contains("did you mean 'time_label'?"), "{said}");
    }

    #[test]
    fn what_the_call_says_goes_before_the_file() {
        let file = ReadOptions::from_toml(
            "decimal = \",\"\nsort = true\n[columns]\nP1 = \"feed_pressure [bar]\"\nOperator = false\n",
        )
        .unwrap();
        let call = ReadOptions {
            decimal: Some('.'),
            columns: [("P1".to_owned(), vec!["permeate_pressure [bar]".to_owned()])].into(),
            ..ReadOptions::default()
        };
        let both = call.or(file);
        assert_eq!((both.decimal, both.sort), (Some('.'), Some(true)));
        assert_eq!(both.columns["P1"], ["permeate_pressure [bar]"]);
        assert!(both.columns["Operator"].is_empty());
    }
}
