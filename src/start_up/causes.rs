//! What deviations at a start-up look like.
//!
//! Patterns are common practice, no source. Each cause is as likely as any other before anything is seen; of each figure a cause
//! shows what it is known for with `SHOWN`, the opposite with `OPPOSITE`, and the rest of the time nothing.

use statrs::distribution::{ContinuousCDF, Normal};

use super::Beside;

/// How often a cause shows what it is known for.
const SHOWN: f64 = 0.80;
/// How often the opposite.
const OPPOSITE: f64 = 0.03;
/// Of what can be explained, where a figure is as much a sign as none, and how gradually it becomes one. Membranes differ: one
/// that was better than its rating may hide a part of a fault.
const MEMBRANES: (f64, f64) = (0.6, 0.4);
/// Spacers are all alike.
const SPACERS: (f64, f64) = (1.0, 0.15);

/// What a cause does to a figure.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Does {
    /// Lowers it.
    Lower,
    /// Leaves it.
    Leave,
    /// Raises it.
    Raise,
}

use Does::{Leave, Lower, Raise};

/// A cause, its pattern and the test that would tell.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Cause {
    /// In words.
    pub name: &'static str,
    /// What it is.
    pub what: &'static str,
    /// What it does to permeate flow.
    pub flow: Does,
    /// To salt in the permeate.
    pub salt: Does,
    /// To the pressure drop.
    pub drop: Does,
    /// Permeate flow rises (`Raise`) or falls (`Lower`) until it settles.
    pub settling: Does,
    /// Salt passage falls until it settles.
    pub rinses: bool,
    /// The test at the unit.
    pub test: &'static str,
}

/// The causes known here.
pub const CAUSES: [Cause; 10] = [
    Cause {
        name: "permeate valve or line",
        what: "the permeate is held back: a valve not wide open, a tank above, a line too narrow",
        flow: Lower,
        salt: Raise,
        drop: Leave,
        settling: Leave,
        rinses: false,
        test: "Read the permeate pressure at the unit with a gauge; open every permeate valve, or let it run free.",
    },
    Cause {
        name: "air in the vessels",
        what: "air that never left fills part of the membranes' room",
        flow: Lower,
        salt: Leave,
        drop: Raise,
        settling: Raise,
        rinses: false,
        test: "Flush at low pressure with all valves open until no bubbles run; vent the high points.",
    },
    Cause {
        name: "other elements than thought",
        what: "elements of a lower flow, or fewer of them, than the site file says",
        flow: Lower,
        salt: Lower,
        drop: Leave,
        settling: Leave,
        rinses: false,
        test: "Read the labels and count the elements; hold the rating in the site file against their data sheet.",
    },
    Cause {
        name: "elements of a looser kind",
        what: "elements of a higher flow than the site file says, or membranes damaged before use",
        flow: Raise,
        salt: Raise,
        drop: Leave,
        settling: Leave,
        rinses: false,
        test: "Read the labels; probe the permeate of each vessel, then along each: all alike is the kind, one is damage.",
    },
    Cause {
        name: "brine seal missing or reversed",
        what: "feed runs past an element instead of through it",
        // By the membrane model: what still runs through makes nearly as much.
        flow: Leave,
        salt: Raise,
        drop: Lower,
        settling: Leave,
        rinses: false,
        test: "Release the pressure, open the vessel, and look that each brine seal is there and faces the feed.",
    },
    Cause {
        name: "O-ring or interconnector",
        what: "feed leaks into the permeate",
        flow: Leave,
        salt: Raise,
        drop: Leave,
        settling: Leave,
        rinses: false,
        test: "Probe the permeate's conductivity vessel by vessel, then along the worst one: it jumps at the leak.",
    },
    Cause {
        name: "preservative not yet rinsed out",
        what: "new elements give off what they were kept in",
        flow: Leave,
        salt: Raise,
        drop: Leave,
        settling: Leave,
        rinses: true,
        test: "Let permeate run to drain for some hours more, as the elements' maker says, and read again.",
    },
    Cause {
        name: "membranes not yet wetted through",
        what: "dry elements take hours to days to give their flow",
        flow: Lower,
        salt: Leave,
        drop: Leave,
        settling: Raise,
        rinses: false,
        test: "Soak as the elements' maker says, run on for a day at low flux, and read again.",
    },
    Cause {
        name: "too little feed, or a wrong concentrate meter",
        what: "less flows along the membranes than the meters say",
        flow: Lower,
        salt: Raise,
        drop: Lower,
        settling: Leave,
        rinses: false,
        test: "Time the concentrate into a bucket; look at the filters and the pump's inlet pressure.",
    },
    Cause {
        name: "something in the feed channel",
        what: "dirt, packing or a displaced element ahead of the membranes",
        flow: Leave,
        salt: Leave,
        drop: Raise,
        settling: Leave,
        rinses: false,
        test: "Release the pressure, open the feed end and look; flush the line before the elements go in again.",
    },
];

/// What a start-up shows. Figures are told by how far they lie from what is expected, over what can be explained: beyond −1
/// and 1 they can't. `None`: not known.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Pattern {
    /// Permeate flow.
    pub flow: Option<f64>,
    /// Salt in the permeate.
    pub salt: Option<f64>,
    /// The pressure drop.
    pub drop: Option<f64>,
    /// Whether flow rose until it settled.
    pub flow_rose: Option<bool>,
    /// Whether salt passage fell until it settled.
    pub salt_fell: bool,
}

/// A cause and how likely it is among those known here.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Likely {
    /// Which.
    pub cause: &'static Cause,
    /// Its probability; those of all add to 1.
    pub probability: f64,
}

/// The causes, the likeliest first.
pub fn likely(pattern: &Pattern) -> Vec<Likely> {
    let mut found: Vec<Likely> = CAUSES
        .iter()
        .map(|cause| Likely {
            cause,
            probability: graded(cause.flow, pattern.flow, MEMBRANES)
                * graded(cause.salt, pattern.salt, MEMBRANES)
                * graded(cause.drop, pattern.drop, SPACERS)
                * chance(cause.settling, settling(pattern))
                * rinsing(cause.rinses, pattern.salt_fell),
        })
        .collect();
    let sum: f64 = found.iter().map(|likely| likely.probability).sum();
    for likely in &mut found {
        likely.probability /= sum;
    }
    found.sort_by(|a, b| b.probability.total_cmp(&a.probability));
    found
}

fn settling(pattern: &Pattern) -> Beside {
    match pattern.flow_rose {
        None => Beside::AsExpected,
        Some(true) => Beside::Above,
        Some(false) => Beside::Below,
    }
}

fn rinsing(rinses: bool, salt_fell: bool) -> f64 {
    if rinses == salt_fell {
        SHOWN
    } else {
        1.0 - SHOWN
    }
}

/// A figure that lies near the end of what can be explained is half a sign.
fn graded(does: Does, apart: Option<f64>, (half_a_sign, blur): (f64, f64)) -> f64 {
    let Some(apart) = apart else { return 1.0 };
    let normal = Normal::standard();
    let above = normal.cdf((apart - half_a_sign) / blur);
    let below = normal.cdf((-apart - half_a_sign) / blur);
    above * chance(does, Beside::Above)
        + below * chance(does, Beside::Below)
        + (1.0 - above - below) * chance(does, Beside::AsExpected)
}

fn chance(does: Does, shows: Beside) -> f64 {
    let rest = 1.0 - SHOWN - OPPOSITE;
    match (does, shows) {
        (Lower, Beside::Below) | (Raise, Beside::Above) | (Leave, Beside::AsExpected) => SHOWN,
        (Lower, Beside::Above) | (Raise, Beside::Below) => OPPOSITE,
        (Leave, _) => 0.5 * (1.0 - SHOWN),
        (_, Beside::AsExpected) => rest,
    }
}
