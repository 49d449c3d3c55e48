//! What to do next to tell two causes apart. Tests of the trade (common practice, no source, where no standard is named).

use super::causes::Cause;

/// A test at the unit.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct FieldTest {
    /// What to do, in a sentence.
    pub what: &'static str,
    /// What its outcome would tell.
    pub tells: &'static str,
}

/// What stands beside every advice.
pub const CAUTIONS: &str = "Work on the unit only as its manuals, local codes and licensed practice allow: release pressure and lock out power first; handle cleaning chemicals as their safety sheets say. Whether water is fit to drink is for an accredited laboratory to test; these figures don't tell.";

/// The test that separates two causes best.
pub fn between(one: Cause, other: Cause) -> FieldTest {
    use Cause::{
        Ageing, Biofouling, Instrument, Leak, Operation, Organic, Oxidation, Particulate, Scaling,
    };
    let pair = |a: Cause, b: Cause| (one == a && other == b) || (one == b && other == a);
    let either = |cause: Cause| one == cause || other == cause;
    if either(Instrument) {
        FieldTest {
            what: "Check the instruments first: time the permeate into a measured vessel, read the conductivity meter in its calibration solution, exchange the two pressure gauges.",
            tells: "If a figure follows the instrument and not the water, the membranes are not the cause.",
        }
    } else if either(Operation) {
        FieldTest {
            what: "Set pressure, recovery and feed back to what they were at start-up for an hour, and read again.",
            tells: "If output comes back, the settings or the water were the cause.",
        }
    } else if either(Leak) || pair(Oxidation, Scaling) {
        FieldTest {
            what: "Probe the vessels: read permeate conductivity vessel by vessel, then along the suspect one's permeate tube.",
            tells: "A jump at one place is an O-ring or a glue line; a rise along the whole length is damage or scale.",
        }
    } else if either(Oxidation) {
        FieldTest {
            what: "Read free chlorine ahead of the membranes at all hours, and have one lead element opened and dyed (vacuum or dye test by a laboratory).",
            tells: "Dye that passes the membrane shows oxidation; a sound element rules it out.",
        }
    } else if pair(Particulate, Biofouling) || pair(Biofouling, Organic) {
        FieldTest {
            what: "Open the lead vessel's feed end and look: slime and smell, or silt; have the deposit's loss on ignition and bacteria counted; take the silt density index (ASTM D4189).",
            tells: "Slime that burns off and counts is a living film; silt with a high index is particles.",
        }
    } else if pair(Particulate, Organic) {
        FieldTest {
            what: "Take the silt density index (ASTM D4189) and the feed's organic carbon, and weigh the lead element.",
            tells: "A high index and a heavy element speak for particles; carbon with a low index for an organic film.",
        }
    } else if either(Scaling) {
        FieldTest {
            what: "Read the last stage by itself, and make a cleaning trial with acid on it, by the manufacturer's limits of pH and temperature.",
            tells: "Scale starts in the last stage and gives way to acid; other deposits start at the front and give way to alkaline cleaning.",
        }
    } else if either(Ageing) {
        FieldTest {
            what: "Make a cleaning trial, and compare output, salt passage and pressure drop with those before.",
            tells: "What a cleaning wins back was fouling; what stays is age.",
        }
    } else {
        FieldTest {
            what: "Have a lead and a tail element opened and examined by a laboratory.",
            tells: "The deposit tells what it is.",
        }
    }
}
