//! Which source a figure's uncertainty comes from: what to mend first.

use super::errors::{ErrorModel, SOURCES, contributions, contributions_to_change};
use crate::error::{Error, Fault};
use crate::normalise::reading::Conditions;
use crate::normalise::{Normalised, Output};
use crate::units::Unit;

/// A source's part in the uncertainty of a figure.
#[derive(Debug, Clone, PartialEq)]
pub struct Share {
    /// The source: a column's name, or that of a factor, a law, or the readings' own scatter.
    pub source: String,
    /// The standard uncertainty of the figure if it had this source alone, in the figure's unit.
    pub u: f64,
    /// Its part of the figure's variance, 0 to 1.
    pub share: f64,
}

/// The uncertainty of one figure, by source, the greatest first.
#[derive(Debug, Clone, PartialEq)]
pub struct Budget {
    /// The figure.
    pub output: Output,
    /// Its value, in `unit`.
    pub value: f64,
    /// Its standard uncertainty, in `unit`.
    pub u: f64,
    /// The unit of both.
    pub unit: &'static Unit,
    /// The parts; they add to 1.
    pub shares: Vec<Share>,
    /// What to mend first, in a sentence.
    pub sentence: String,
}

/// The fault of asking for an uncertainty where nothing is known of the instruments.
fn nothing_known() -> Error {
    Error::Site(
        Fault::new(
            "the site file tells nothing of the instruments, so no uncertainty follows",
            "add accuracies under [instruments]; typical classes to choose from: `brinemark instruments`",
        )
        .at_column("[instruments]")
        .into(),
    )
}

impl Normalised {
    /// What the readings may be off by.
    ///
    /// # Errors
    /// [`Error::Site`] where the site file tells nothing of it.
    pub(crate) fn known_errors(&self) -> Result<&ErrorModel, Error> {
        self.errors.as_ref().ok_or_else(nothing_known)
    }

    /// The uncertainty of one output of one row (counted from 0), by source.
    ///
    /// # Errors
    /// [`Error::Site`] where the site file tells nothing of the instruments; [`Error::MissingColumn`] for an output or a row that
    /// is not in the result, or a row that was set aside.
    pub fn budget(&self, output: &str, row: usize) -> Result<Budget, Error> {
        let refuse = |problem: &str, remedy: String, value: String| {
            Error::MissingColumn(
                Fault::new(problem, remedy)
                    .at_column("output")
                    .with_value(value)
                    .into(),
            )
        };
        let known = || {
            let names: Vec<&str> = self.outputs.iter().map(|output| output.name()).collect();
            format!("one of: {}", names.join(", "))
        };
        self.known_errors()?;
        let output = Output::named(output)
            .filter(|output| self.outputs.contains(output))
            .ok_or_else(|| refuse("not a figure of this result", known(), output.to_owned()))?;
        let (groups, rows) = self.log.table.groups();
        let used = self.reasons.get(row).is_some_and(|why| why.is_empty());
        if !used || groups.is_empty() {
            return Err(refuse(
                "no reading that was used",
                "a row, counted from 0, whose reasons are empty".to_owned(),
                row.to_string(),
            ));
        }
        let group = rows[row] as usize;
        let at = self.inputs.conditions(row);
        let (value, variances) =
            self.variances(group, &at, self.log.table.time[row], output, false)?;
        Ok(self.of_variances(output, value, &variances, None))
    }

    /// A figure at conditions, and the variance that each source gives it; `lasting` leaves out what scatters.
    pub(crate) fn variances(
        &self,
        group: usize,
        at: &Conditions,
        time_us: i64,
        output: Output,
        lasting: bool,
    ) -> Result<(f64, [f64; SOURCES]), Error> {
        let errors = self.known_errors()?;
        let prepared = &self.prepared[group];
        let found = prepared.leaning_at(errors, at, &[output]);
        let (value, slopes) = found.first().map_or((f64::NAN, [0.0; SOURCES]), |found| {
            (found.value, found.slopes)
        });
        let sizes = errors.sizes(at, time_us);
        let sizes = if lasting { sizes.lasting() } else { sizes };
        let place = self.outputs.iter().position(|known| *known == output);
        let variances = match (&prepared.errors, place) {
            (Some(reference), Some(place)) if output.is_change() => {
                let calibrated = errors.calibrated_between(reference.end_us, time_us);
                let of_reference = if lasting {
                    reference.lasting()
                } else {
                    reference.clone()
                };
                contributions_to_change(value, &slopes, &sizes, &of_reference, place, &calibrated)
            }
            _ => contributions(&slopes, &sizes),
        };
        Ok((value, variances))
    }

    /// The budget of these variances, and that of the readings' own scatter.
    pub(crate) fn of_variances(
        &self,
        output: Output,
        value: f64,
        variances: &[f64; SOURCES],
        scatter: Option<f64>,
    ) -> Budget {
        let unit = self
            .series
            .iter()
            .find(|series| series.name == output.name())
            .map_or(output.canonical_unit(), |series| series.unit);
        let sources = self.errors.iter().flat_map(|errors| &errors.sources);
        let mut parts: Vec<(String, f64)> = sources
            .map(|source| source.name.clone())
            .zip(variances.iter().copied())
            .chain(scatter.map(|variance| ("scatter of the readings".to_owned(), variance)))
            .filter(|(_, variance)| *variance > 0.0)
            .collect();
        parts.sort_by(|a, b| b.1.total_cmp(&a.1));
        let total: f64 = parts.iter().map(|(_, variance)| variance).sum();
        let shares: Vec<Share> = parts
            .into_iter()
            .map(|(source, variance)| Share {
                source,
                u: unit.from_canonical(variance.sqrt()),
                share: variance / total,
            })
            .collect();
        let sentence = shares.first().map_or_else(
            || "No source of uncertainty is known.".to_owned(),
            |first| {
                format!(
                    "{:.0} % of its variance comes from {}.",
                    100.0 * first.share,
                    spoken(&first.source)
                )
            },
        );
        Budget {
            output,
            value: unit.from_canonical(value),
            u: unit.from_canonical(total.sqrt()),
            unit,
            shares,
            sentence,
        }
    }
}

/// A source as a person says it.
fn spoken(source: &str) -> String {
    let words = source.replace('_', " ");
    let is_column = crate::log::Column::from_name(source).is_some();
    match source {
        _ if is_column => format!("the reading of {words}"),
        _ => format!("the {words}"),
    }
}
