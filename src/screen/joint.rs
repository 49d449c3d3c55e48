//! Readings that must agree: balances of water and salt, the order of pressures.

use std::ops::Range;

use super::Reasons;
use super::marks::{Marks, Seen};
use super::readings::Readings;
use super::usual::Closure;
use crate::log::Column;
use crate::site::Site;

/// A balance is off where it leaves its usual closure by this many of its robust standard deviations, too.
const BALANCE_DEVIATIONS: f64 = 6.0;
/// Pressures may stand in the wrong order by this share of the usual feed pressure: gauges have errors.
const ORDER_SHARE: f64 = 0.02;
/// How well an exponential and a logarithm undo each other, and some.
const UNDONE: f64 = 1e-9;

/// Qf/(Qp + Qc) of some rows, where all three flows are measured.
pub(super) fn water_in_per_out(readings: &Readings<'_>, rows: Range<usize>) -> Option<Vec<f64>> {
    let feed = readings.get(Column::FeedFlow)?;
    let permeate = readings.get(Column::PermeateFlow)?;
    let concentrate = readings.get(Column::ConcentrateFlow)?;
    let flows = feed[rows.clone()].iter().zip(&permeate[rows.clone()]);
    Some(
        flows
            .zip(&concentrate[rows])
            .map(|((feed, permeate), concentrate)| feed / (permeate + concentrate))
            .collect(),
    )
}

/// Qf Cf/(Qp Cp + Qc Cc) of some rows, on dissolved salt: conductivity is not conserved. Of three flows two are enough.
pub(super) fn salt_in_per_out(
    readings: &Readings<'_>,
    site: &Site,
    rows: Range<usize>,
) -> Option<Vec<f64>> {
    let permeate = readings.get(Column::PermeateFlow)?;
    let feed = readings.get(Column::FeedFlow);
    let concentrate = readings.get(Column::ConcentrateFlow);
    if feed.is_none() && concentrate.is_none() {
        return None;
    }
    let salt = |tds| Some(readings.salt(tds, site, rows.clone())?.1);
    let in_feed = salt(Column::FeedTds)?;
    let in_permeate = salt(Column::PermeateTds)?;
    let in_concentrate = salt(Column::ConcentrateTds)?;
    let salts = in_feed.iter().zip(&in_permeate).zip(&in_concentrate);
    Some(
        rows.zip(salts)
            .map(|(row, ((in_feed, in_permeate), in_concentrate))| {
                let made = permeate[row];
                let (fed, rest) = match (feed, concentrate) {
                    (Some(feed), Some(concentrate)) => (feed[row], concentrate[row]),
                    (Some(feed), None) => (feed[row], feed[row] - made),
                    (None, Some(concentrate)) => (concentrate[row] + made, concentrate[row]),
                    (None, None) => (f64::NAN, f64::NAN),
                };
                fed * in_feed / (made * in_permeate + rest * in_concentrate)
            })
            .collect(),
    )
}

#[inline(always)]
pub(super) fn judge(seen: &Seen<'_>, marks: &mut Marks<'_>) {
    let (readings, usual, all) = (seen.readings, seen.usual, marks.rows.clone());
    let water = water_in_per_out(readings, marks.rows.clone());
    balance(Reasons::WATER_BALANCE, water, usual.water, seen, marks);
    let salt = salt_in_per_out(readings, seen.site, marks.rows.clone());
    balance(Reasons::SALT_BALANCE, salt, usual.salt, seen, marks);
    let column = |column| readings.get(column);
    let rows = || all.clone();
    if let (Some(made), Some(fed)) = (column(Column::PermeateFlow), column(Column::FeedFlow)) {
        marks.judge_pairs(
            Reasons::IMPOSSIBLE_FLOWS,
            seen,
            rows(),
            (made, fed),
            |made, fed| made >= fed,
        );
    }
    for (permeate, feed) in [
        (Column::PermeateConductivity, Column::FeedConductivity),
        (Column::PermeateTds, Column::FeedTds),
    ] {
        if let (Some(permeate), Some(feed)) = (column(permeate), column(feed)) {
            marks.judge_pairs(
                Reasons::PERMEATE_SALTIER,
                seen,
                rows(),
                (permeate, feed),
                |a, b| a > b,
            );
        }
    }
    let slack = usual
        .figure(Column::FeedPressure)
        .map_or(0.0, |pressure| ORDER_SHARE * pressure.median.abs());
    for (before, behind) in [
        (Column::FeedPressure, Column::ConcentratePressure),
        (Column::ConcentratePressure, Column::PermeatePressure),
        (Column::FeedPressure, Column::PermeatePressure),
    ] {
        if let (Some(before), Some(behind)) = (column(before), column(behind)) {
            marks.judge_pairs(
                Reasons::PRESSURE_ORDER,
                seen,
                rows(),
                (before, behind),
                |a, b| a < b - slack,
            );
        }
    }
    if let Some(drop) = column(Column::DifferentialPressure) {
        marks.judge_each(Reasons::PRESSURE_ORDER, seen, rows(), drop, |drop| {
            drop < -slack
        });
    }
}

/// Whether in over out leaves its usual, in each of the rows.
fn balance(
    test: Reasons,
    in_per_out: Option<Vec<f64>>,
    usual: Option<Closure>,
    seen: &Seen<'_>,
    marks: &mut Marks<'_>,
) {
    let (Some(in_per_out), Some(usual)) = (in_per_out, usual) else {
        return;
    };
    let settings = &seen.site.screen;
    let allowed = settings.balance.max(BALANCE_DEVIATIONS * usual.noise);
    // Nearly always it is well within, which is told without a logarithm.
    let low = (usual.median - allowed).exp() * (1.0 + UNDONE);
    let high = (usual.median + allowed).exp() * (1.0 - UNDONE);
    for (row, ratio) in marks.rows.clone().zip(in_per_out) {
        if !seen.running[row] {
            continue;
        }
        if ratio > low && ratio < high {
            marks.judge(test, row, false);
            continue;
        }
        let closure = ratio.ln();
        if closure.is_finite() {
            marks.judge(test, row, (closure - usual.median).abs() > allowed);
        }
    }
}
