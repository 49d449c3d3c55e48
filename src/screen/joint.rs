//! Readings that must agree: balances of water and salt, the order of pressures.

use super::Reasons;
use super::readings::Readings;
use super::run::Marks;
use super::settings::ScreenSettings;
use super::usual::{Closure, OfGroup};
use crate::log::Column;
use crate::site::Site;

/// A balance is off where it leaves its usual closure by this many of its robust standard deviations, too.
const BALANCE_DEVIATIONS: f64 = 6.0;
/// Pressures may stand in the wrong order by this share of the usual feed pressure: gauges have errors.
const ORDER_SHARE: f64 = 0.02;

/// ln(Qf/(Qp + Qc)) of each row, where all three flows are measured.
pub(super) fn water_closure(readings: &Readings) -> Option<Vec<f64>> {
    let feed = readings.get(Column::FeedFlow)?;
    let permeate = readings.get(Column::PermeateFlow)?;
    let concentrate = readings.get(Column::ConcentrateFlow)?;
    let rows = 0..readings.len();
    Some(
        rows.map(|row| (feed[row] / (permeate[row] + concentrate[row])).ln())
            .collect(),
    )
}

/// ln(Qf Cf/(Qp Cp + Qc Cc)) of each row, on dissolved salt: conductivity is not conserved. Of three flows two are enough.
pub(super) fn salt_closure(readings: &Readings, site: &Site) -> Option<Vec<f64>> {
    let permeate = readings.get(Column::PermeateFlow)?;
    let (feed, concentrate) = match (
        readings.get(Column::FeedFlow),
        readings.get(Column::ConcentrateFlow),
    ) {
        (Some(feed), Some(concentrate)) => (feed.to_vec(), concentrate.to_vec()),
        (Some(feed), None) => {
            let rest = feed.iter().zip(permeate).map(|(feed, made)| feed - made);
            (feed.to_vec(), rest.collect())
        }
        (None, Some(concentrate)) => {
            let both = concentrate.iter().zip(permeate);
            (
                both.map(|(rest, made)| rest + made).collect(),
                concentrate.to_vec(),
            )
        }
        (None, None) => return None,
    };
    let (_, in_feed) = readings.salt(Column::FeedTds, site)?;
    let (_, in_permeate) = readings.salt(Column::PermeateTds, site)?;
    let (_, in_concentrate) = readings.salt(Column::ConcentrateTds, site)?;
    let rows = 0..readings.len();
    Some(
        rows.map(|row| {
            let out = permeate[row] * in_permeate[row] + concentrate[row] * in_concentrate[row];
            (feed[row] * in_feed[row] / out).ln()
        })
        .collect(),
    )
}

pub(super) fn judge(
    readings: &Readings,
    usual: &OfGroup,
    site: &Site,
    settings: &ScreenSettings,
    marks: &mut Marks,
) {
    let mut balance = |test, closures: Option<Vec<f64>>, usual: Option<Closure>| {
        let (Some(closures), Some(usual)) = (closures, usual) else {
            return;
        };
        let allowed = settings.balance.max(BALANCE_DEVIATIONS * usual.noise);
        for (row, closure) in closures.iter().enumerate() {
            if marks.running[row] && closure.is_finite() {
                marks.judge(test, row, (closure - usual.median).abs() > allowed);
            }
        }
    };
    balance(Reasons::WATER_BALANCE, water_closure(readings), usual.water);
    balance(
        Reasons::SALT_BALANCE,
        salt_closure(readings, site),
        usual.salt,
    );
    let permeate_flow = readings.get(Column::PermeateFlow);
    let feed_flow = readings.get(Column::FeedFlow);
    pairs(
        marks,
        Reasons::IMPOSSIBLE_FLOWS,
        permeate_flow,
        feed_flow,
        |made, fed| made >= fed,
    );
    for (permeate, feed) in [
        (Column::PermeateConductivity, Column::FeedConductivity),
        (Column::PermeateTds, Column::FeedTds),
    ] {
        let (permeate, feed) = (readings.get(permeate), readings.get(feed));
        pairs(
            marks,
            Reasons::PERMEATE_SALTIER,
            permeate,
            feed,
            |permeate, feed| permeate > feed,
        );
    }
    let slack = usual
        .figure(Column::FeedPressure)
        .map_or(0.0, |pressure| ORDER_SHARE * pressure.median.abs());
    for (before, behind) in [
        (Column::FeedPressure, Column::ConcentratePressure),
        (Column::ConcentratePressure, Column::PermeatePressure),
        (Column::FeedPressure, Column::PermeatePressure),
    ] {
        let (before, behind) = (readings.get(before), readings.get(behind));
        pairs(
            marks,
            Reasons::PRESSURE_ORDER,
            before,
            behind,
            |before, behind| before < behind - slack,
        );
    }
    if let Some(drop) = readings.get(Column::DifferentialPressure) {
        pairs(
            marks,
            Reasons::PRESSURE_ORDER,
            Some(drop),
            Some(drop),
            |drop, _| drop < -slack,
        );
    }
}

/// A test of two readings of a row.
fn pairs(
    marks: &mut Marks,
    test: Reasons,
    first: Option<&[f64]>,
    second: Option<&[f64]>,
    fails: impl Fn(f64, f64) -> bool,
) {
    let (Some(first), Some(second)) = (first, second) else {
        return;
    };
    for (row, (first, second)) in first.iter().zip(second).enumerate() {
        if marks.running[row] && !first.is_nan() && !second.is_nan() {
            marks.judge(test, row, fails(*first, *second));
        }
    }
}
