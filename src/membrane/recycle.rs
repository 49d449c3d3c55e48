//! Concentrate returned ahead of the membranes.
//!
//! The membrane sees the mixture, not the raw feed: normalised on the raw feed, turning the recycle
//! valve would look like fouling.

use crate::number::Number;

/// Water at the membranes' inlet.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Inlet<T = f64> {
    /// Flow, in the unit of the flows given.
    pub flow: T,
    /// Concentration, in the unit of the concentrations given.
    pub tds: T,
}

/// The inlet of the membranes, from what is measured: Qf, Qr, Qp, Cf, Cp.
///
/// Two salt balances, over the mixing point and over the membranes,
/// Qin Cin = Qf Cf + Qr Cc and Qin Cin = Qp Cp + (Qin − Qp) Cc with Qin = Qf + Qr,
/// give Cin = [Qf Cf (Qin − Qp) − Qr Qp Cp]/[Qin (Qf − Qp)]. Without recycle Cin = Cf.
///
/// Own algebra; checked against an independent calculation of the closed form in salt passage
/// (`tests/published`). Valid for Qf > Qp; the flows share a unit, the concentrations share a unit.
///
/// ```
/// let inlet = brinemark::membrane::recycle::inlet(10.0, 10.0, 7.5, 500.0, 24.2718);
/// assert!((inlet.tds - 1213.59).abs() < 0.01);
/// ```
#[inline(always)]
pub fn inlet<T: Number>(
    feed_flow: T,
    recycle_flow: T,
    permeate_flow: T,
    feed_tds: T,
    permeate_tds: T,
) -> Inlet<T> {
    let flow = feed_flow + recycle_flow;
    let concentrate = flow - permeate_flow;
    let tds = (feed_flow * feed_tds * concentrate - recycle_flow * permeate_flow * permeate_tds)
        / (flow * (feed_flow - permeate_flow));
    Inlet { flow, tds }
}
