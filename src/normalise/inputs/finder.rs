//! Finds the sources of a log's inputs, one by one: measured, derived, assumed, or missing.

use std::collections::{BTreeMap, BTreeSet};

use super::{Analysis, Inputs, Origin, Provenance, SaltFrom, Source};
use crate::buffer::Values;
use crate::error::{Error, Fault, Faults};
use crate::log::{Column, Log};
use crate::site::{KnownErrors, Site};
use crate::table::Series;

/// Finds the sources of a log's inputs, one by one, gathering what is missing.
struct Finder<'a> {
    log: &'a Log,
    site: &'a Site,
    analyses: &'a [Analysis],
    faults: Faults,
    provenance: Vec<Provenance>,
    derived: Vec<Series>,
    used_assumptions: BTreeSet<Column>,
    salt_from: BTreeMap<Column, SaltFrom>,
    conductivities: Vec<(Values, SaltFrom)>,
    known_errors: KnownErrors,
}

impl Inputs {
    /// Finds every input of the analyses.
    ///
    /// # Errors
    /// [`Error::MissingColumn`] names each input that is neither measured, derivable nor assumed, the
    /// analyses that need it, and what would supply it.
    pub fn find(log: &Log, site: &Site, analyses: &[Analysis]) -> Result<Self, Error> {
        let (found, faults) = Self::gather(log, site, analyses);
        faults.into_result(Error::MissingColumn)?;
        Ok(found)
    }

    /// The same, with what is missing beside what was found (NaN in its place).
    pub fn gather(log: &Log, site: &Site, analyses: &[Analysis]) -> (Self, Faults) {
        let mut find = Finder {
            log,
            site,
            analyses,
            faults: Faults::default(),
            provenance: Vec::new(),
            derived: Vec::new(),
            used_assumptions: BTreeSet::new(),
            salt_from: BTreeMap::new(),
            conductivities: Vec::new(),
            known_errors: KnownErrors::of(site),
        };
        find.stages();
        let permeate_flow = find.source(Column::PermeateFlow, |find| {
            find.combine(
                Column::FeedFlow,
                Column::ConcentrateFlow,
                "feed_flow − concentrate_flow",
                |f, c| f - c,
            )
        });
        let feed_flow = find.source(Column::FeedFlow, |find| {
            find.combine(
                Column::PermeateFlow,
                Column::ConcentrateFlow,
                "permeate_flow + concentrate_flow",
                |p, c| p + c,
            )
        });
        let recycle_flow = find.recycle_flow();
        let temperature = find.source(Column::FeedTemperature, |_| None);
        let feed_pressure = find.source(Column::FeedPressure, |_| None);
        let differential_pressure = find.source(Column::DifferentialPressure, |find| {
            find.combine(
                Column::FeedPressure,
                Column::ConcentratePressure,
                "feed_pressure − concentrate_pressure",
                |f, c| f - c,
            )
        });
        let permeate_pressure = find.source(Column::PermeatePressure, |_| None);
        let permeate_tds = find.source(Column::PermeateTds, |find| {
            find.tds_from_conductivity(Column::PermeateTds)
        });
        let feed_tds = find.source(Column::FeedTds, |find| {
            find.tds_from_conductivity(Column::FeedTds)
                .or_else(|| find.salt_balance(&permeate_flow, &feed_flow, &permeate_tds))
        });
        find.refuse_unused_assumptions();
        let running = log.get(Column::Running).map(|series| {
            find.note(Column::Running, Origin::Measured, "the log".into());
            Source::Column(series.values.clone())
        });
        let salt_from = |column| find.salt_from.get(&column).copied().unwrap_or_default();
        // A source is NaN only with a fault of its own.
        let or_nan = |source: Option<Source>| source.unwrap_or(Source::Constant(f64::NAN));
        let found = Self {
            temperature: or_nan(temperature),
            feed_pressure: or_nan(feed_pressure),
            differential_pressure: or_nan(differential_pressure),
            permeate_pressure: or_nan(permeate_pressure),
            permeate_flow: or_nan(permeate_flow),
            feed_flow: or_nan(feed_flow),
            recycle_flow: or_nan(recycle_flow),
            feed_tds: or_nan(feed_tds),
            permeate_tds: or_nan(permeate_tds),
            running,
            set_aside: log.set_aside.clone(),
            feed_salt: salt_from(Column::FeedTds),
            permeate_salt: salt_from(Column::PermeateTds),
            concentrate_salt: salt_from(Column::ConcentrateTds),
            provenance: find.provenance,
            conductivities: find.conductivities,
            derived: find.derived,
            known_errors: find.known_errors,
        };
        (found, find.faults)
    }
}

impl Finder<'_> {
    fn note(&mut self, column: Column, origin: Origin, detail: String) {
        self.provenance.push(Provenance {
            column,
            origin,
            detail,
        });
    }

    /// The source of a column: measured, else derived, else assumed, else a fault.
    fn source(
        &mut self,
        column: Column,
        derive: impl FnOnce(&mut Self) -> Option<(Vec<f64>, String)>,
    ) -> Option<Source> {
        if let Some(values) = self.measured(column) {
            let how = format!("the log{}", self.corrections(column));
            self.note(column, Origin::Measured, how);
            return Some(Source::Column(values));
        }
        if let Some((values, how)) = derive(self) {
            self.note(column, Origin::Derived, how);
            let values = Values::from(values);
            self.derived.push(Series {
                name: column.name().to_owned(),
                unit: self.unit_like(column),
                values: values.clone(),
            });
            return Some(Source::Column(values));
        }
        let measured_only: Vec<&str> = self
            .analyses
            .iter()
            .filter(|analysis| analysis.needs().0.contains(&column))
            .map(|analysis| analysis.name())
            .collect();
        if let Some(assumed) = self.site.assume.get(&column) {
            self.used_assumptions.insert(column);
            if measured_only.is_empty() {
                self.note(
                    column,
                    Origin::Assumed,
                    format!("{} (site file)", assumed.text),
                );
                return Some(Source::Constant(assumed.value));
            }
            self.faults.push(
                Fault::new(
                    format!(
                        "only assumed, but {} needs it measured",
                        measured_only.join(" and ")
                    ),
                    format!("log {}, or leave that analysis out", self.ways(column)),
                )
                .at_column(column.name()),
            );
            return None;
        }
        let needing: Vec<&str> = self
            .analyses
            .iter()
            .map(|analysis| analysis.name())
            .collect();
        let otherwise = if measured_only.is_empty() {
            format!(
                ", or say what to take for it in the site file: [assume] {} = \"…\"",
                column.name()
            )
        } else {
            String::new()
        };
        let left_out = if self.log.left_out.is_empty() {
            String::new()
        } else {
            format!(
                " (columns of the log that were left out: {})",
                self.log.left_out.join(", ")
            )
        };
        self.faults.push(
            Fault::new(
                format!(
                    "neither in the log nor to be worked out from it; needed for {}",
                    needing.join(", ")
                ),
                format!("log {}{otherwise}{left_out}", self.ways(column)),
            )
            .at_column(column.name()),
        );
        None
    }

    /// The readings of a column, corrected for what its instrument was known to be off by.
    fn measured(&self, column: Column) -> Option<Values> {
        let values = &self.log.get(column)?.values;
        if self.known_errors.of_column(column).is_empty() {
            return Some(values.clone());
        }
        let corrected = self.log.table.time.iter().zip(values.iter());
        let corrected =
            corrected.map(|(time_us, value)| self.known_errors.corrected(column, *time_us, *value));
        Some(corrected.collect::<Vec<f64>>().into())
    }

    /// What a column is corrected for, behind where its figures come from.
    fn corrections(&self, column: Column) -> String {
        let words = self.known_errors.words(column);
        words.iter().map(|words| format!("; {words}")).collect()
    }

    /// What a log can hold so that `column` is known.
    fn ways(&self, column: Column) -> String {
        match column {
            Column::PermeateFlow => "permeate_flow, or feed_flow and concentrate_flow".into(),
            Column::FeedFlow => "feed_flow, or concentrate_flow".into(),
            Column::DifferentialPressure => "differential_pressure, or concentrate_pressure".into(),
            Column::PermeateTds => {
                "permeate_tds, or permeate_conductivity with [salinity.tds_per_conductivity] permeate in the site file".into()
            }
            Column::FeedTds => {
                "feed_tds, or feed_conductivity with [salinity.tds_per_conductivity] feed in the site file, or what a salt balance needs: permeate and concentrate salt and two of the three flows".into()
            }
            other => other.name().to_owned(),
        }
    }

    /// The unit in which a derived column is shown: that of the log's columns of the same quantity.
    fn unit_like(&self, column: Column) -> &'static crate::units::Unit {
        let quantity = column.quantity();
        self.log
            .table
            .series
            .iter()
            .find(|series| series.unit.quantity == quantity)
            .map_or(quantity.canonical(), |series| series.unit)
    }

    fn combine(
        &self,
        first: Column,
        second: Column,
        how: &str,
        of: impl Fn(f64, f64) -> f64,
    ) -> Option<(Vec<f64>, String)> {
        let words = [first, second].map(|column| self.corrections(column));
        let (first, second) = (self.measured(first)?, self.measured(second)?);
        let values = first.iter().zip(second.iter()).map(|(a, b)| of(*a, *b));
        Some((values.collect(), format!("{how}{}", words.concat())))
    }

    fn tds_of(&mut self, tds: Column) -> Option<(Values, String)> {
        if let Some(values) = self.measured(tds) {
            return Some((values, tds.name().to_owned()));
        }
        let (values, how) = self.tds_from_conductivity(tds)?;
        Some((values.into(), how))
    }

    fn tds_from_conductivity(&mut self, tds: Column) -> Option<(Vec<f64>, String)> {
        let (conductivity, from) = SaltFrom::of_stream(tds, self.site);
        let (measured, from) = (self.measured(conductivity)?, from?);
        let values: Vec<f64> = measured.iter().map(|value| from.tds(*value)).collect();
        self.salt_from.insert(tds, from);
        self.conductivities.push((measured, from));
        let how = match from {
            SaltFrom::Factor(factor) => {
                format!("{factor} mg/L per uS/cm × {}", conductivity.name())
            }
            SaltFrom::Curve(curve) => {
                format!("{} as {}", conductivity.name(), curve.describe())
            }
            SaltFrom::Itself | SaltFrom::Balance => String::new(),
        };
        Some((values, how + &self.corrections(conductivity)))
    }

    /// Qf Cf = Qp Cp + (Qf − Qp) Cc, on dissolved salt: conductivity is not conserved, salt is.
    fn salt_balance(
        &mut self,
        permeate_flow: &Option<Source>,
        feed_flow: &Option<Source>,
        permeate_tds: &Option<Source>,
    ) -> Option<(Vec<f64>, String)> {
        let (concentrate_tds, how) = self.tds_of(Column::ConcentrateTds)?;
        let (qp, qf, cp) = (
            permeate_flow.as_ref()?,
            feed_flow.as_ref()?,
            permeate_tds.as_ref()?,
        );
        let values = (0..self.log.table.len()).map(|row| {
            let share = qp.at(row) / qf.at(row);
            share * cp.at(row) + (1.0 - share) * concentrate_tds[row]
        });
        let values = values.collect();
        self.salt_from.insert(Column::FeedTds, SaltFrom::Balance);
        Some((
            values,
            format!("salt balance of permeate and concentrate ({how})"),
        ))
    }

    fn recycle_flow(&mut self) -> Option<Source> {
        let logged = self.log.get(Column::RecycleFlow).is_some();
        if !self.site.recycle && logged {
            self.faults.push(
                Fault::new(
                    "in the log, but the site file doesn't say where the concentrate returns",
                    "add [recycle] returns_to = \"feed\" to the site file, or leave the column out",
                )
                .at_column(Column::RecycleFlow.name()),
            );
            return None;
        }
        if !self.site.recycle {
            return Some(Source::Constant(0.0));
        }
        self.source(Column::RecycleFlow, |_| None)
    }

    /// Brine-staged systems are normalised stage by stage (ASTM D4516, scope).
    fn stages(&mut self) {
        let several = self.site.stages.len() > 1;
        let labels = &self.log.table.labels[1];
        match labels {
            None if several && !self.site.normalise.stages_together => self.faults.push(
                Fault::new(
                    format!("the site has {} stages, which are normalised one by one, but the log doesn't tell them apart", self.site.stages.len()),
                    "add a stage column (1, 2, …) with one row a stage, or take the unit as a whole with [normalise] stages_together = true",
                )
                .at_column("stage"),
            ),
            Some(labels) => {
                for word in &labels.words {
                    let known = word.parse::<usize>().is_ok_and(|n| (1..=self.site.stages.len()).contains(&n));
                    if !known {
                        self.faults.push(
                            Fault::new("not a stage of the site file", format!("a number from 1 to {}", self.site.stages.len()))
                                .at_column("stage")
                                .with_value(word),
                        );
                    }
                }
            }
            None => {}
        }
    }

    /// An assumption that nothing uses is a misunderstanding, and is said rather than passed over.
    fn refuse_unused_assumptions(&mut self) {
        for column in self.site.assume.keys() {
            if self.used_assumptions.contains(column) {
                continue;
            }
            let known = self.provenance.iter().find(|known| known.column == *column);
            let problem = match known {
                Some(known) => format!(
                    "assumed by the site file, but {} ({})",
                    known.origin.name(),
                    known.detail
                ),
                None => "assumed by the site file, but nothing needs it".to_owned(),
            };
            self.faults.push(
                Fault::new(
                    problem,
                    "remove it from [assume], or leave the log's column out",
                )
                .at_column(column.name()),
            );
        }
    }
}
