//! Typical accuracies of kinds of instruments: offered by name, never taken unasked.
//!
//! An instrument's own data sheet or calibration is better than any of them.

use crate::site::Accuracy;
use crate::units::Quantity;

/// A kind of instrument with its typical accuracy.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct InstrumentClass {
    /// Its name in a site file.
    pub name: &'static str,
    /// What it is.
    pub what: &'static str,
    /// What it measures.
    pub quantity: Quantity,
    /// How far it may be off.
    pub limit: ClassLimit,
    /// Where that comes from.
    pub source: &'static str,
}

/// How far an instrument of a kind may be off, either way.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum ClassLimit {
    /// A share of its span, which the site file gives.
    OfSpan(f64),
    /// A share of what it reads.
    OfReading(f64),
    /// The same everywhere, canonical, and a share of what it reads.
    Fixed(f64, f64),
}

impl InstrumentClass {
    /// The kind of this name.
    pub fn named(name: &str) -> Option<&'static Self> {
        CLASSES.iter().find(|class| class.name == name)
    }

    /// Its accuracy, with the span (canonical) where it needs one.
    pub fn accuracy(&self, span: Option<f64>) -> Option<Accuracy> {
        let (absolute, of_reading) = match self.limit {
            ClassLimit::OfSpan(share) => (share * span?, 0.0),
            ClassLimit::OfReading(share) => (0.0, share),
            ClassLimit::Fixed(absolute, share) => (absolute, share),
        };
        Some(Accuracy {
            absolute,
            of_reading,
        })
    }

    /// Its limit in words.
    pub fn describe(&self) -> String {
        let percent = |share: f64| format!("{} %", (1e6 * share).round() / 1e4);
        match self.limit {
            ClassLimit::OfSpan(share) => format!("{} of span", percent(share)),
            ClassLimit::OfReading(share) => format!("{} of reading", percent(share)),
            ClassLimit::Fixed(absolute, share) => {
                let unit = self.quantity.canonical().word;
                format!("{absolute} {unit} + {} of reading", percent(share))
            }
        }
    }
}

const B40_100: &str = "ASME B40.100, accuracy grades (from memory)";
const EN_837: &str = "EN 837-1, accuracy classes";
const IEC_60751: &str = "IEC 60751, tolerance classes of platinum resistance thermometers";
const PRACTICE: &str = "common practice, no source; the wide end of what is usual";

const fn class(
    name: &'static str,
    what: &'static str,
    quantity: Quantity,
    limit: ClassLimit,
    source: &'static str,
) -> InstrumentClass {
    InstrumentClass {
        name,
        what,
        quantity,
        limit,
        source,
    }
}

use ClassLimit::{Fixed, OfReading, OfSpan};
use Quantity::{Concentration, Conductivity, Flow, Pressure, Temperature};

/// Every kind that is offered.
pub static CLASSES: &[InstrumentClass] = &[
    class(
        "gauge-4a",
        "test gauge, grade 4A",
        Pressure,
        OfSpan(0.001),
        B40_100,
    ),
    class(
        "gauge-3a",
        "test gauge, grade 3A",
        Pressure,
        OfSpan(0.0025),
        B40_100,
    ),
    class(
        "gauge-2a",
        "process gauge, grade 2A",
        Pressure,
        OfSpan(0.005),
        B40_100,
    ),
    class(
        "gauge-1a",
        "gauge, grade 1A",
        Pressure,
        OfSpan(0.01),
        B40_100,
    ),
    class(
        "gauge-a",
        "gauge, grade A (1 % in the middle half of its span, 2 % beyond: taken as 2 %)",
        Pressure,
        OfSpan(0.02),
        B40_100,
    ),
    class(
        "gauge-b",
        "dial gauge, grade B (2 % in the middle half of its span, 3 % beyond: taken as 3 %)",
        Pressure,
        OfSpan(0.03),
        B40_100,
    ),
    class(
        "gauge-d",
        "dial gauge, grade D",
        Pressure,
        OfSpan(0.05),
        B40_100,
    ),
    class(
        "gauge-class-1.0",
        "gauge, class 1.0",
        Pressure,
        OfSpan(0.01),
        EN_837,
    ),
    class(
        "gauge-class-1.6",
        "gauge, class 1.6",
        Pressure,
        OfSpan(0.016),
        EN_837,
    ),
    class(
        "gauge-class-2.5",
        "gauge, class 2.5",
        Pressure,
        OfSpan(0.025),
        EN_837,
    ),
    class(
        "pressure-transmitter",
        "pressure transmitter",
        Pressure,
        OfSpan(0.005),
        PRACTICE,
    ),
    class(
        "rtd-a",
        "resistance thermometer, class A",
        Temperature,
        Fixed(0.15, 0.002),
        IEC_60751,
    ),
    class(
        "rtd-b",
        "resistance thermometer, class B",
        Temperature,
        Fixed(0.3, 0.005),
        IEC_60751,
    ),
    class(
        "rtd-c",
        "resistance thermometer, class C",
        Temperature,
        Fixed(0.6, 0.01),
        IEC_60751,
    ),
    class(
        "dial-thermometer",
        "bimetal dial thermometer",
        Temperature,
        Fixed(1.0, 0.0),
        PRACTICE,
    ),
    class(
        "float-meter",
        "variable-area (float) meter",
        Flow,
        OfSpan(0.05),
        PRACTICE,
    ),
    class(
        "paddle-wheel",
        "paddle-wheel meter",
        Flow,
        OfSpan(0.02),
        PRACTICE,
    ),
    class(
        "turbine-meter",
        "turbine meter",
        Flow,
        OfReading(0.01),
        PRACTICE,
    ),
    class(
        "magnetic-meter",
        "electromagnetic meter",
        Flow,
        OfReading(0.005),
        PRACTICE,
    ),
    class(
        "conductivity-meter",
        "conductivity meter, compensated",
        Conductivity,
        OfReading(0.03),
        PRACTICE,
    ),
    class(
        "tds-meter",
        "hand-held TDS meter",
        Concentration,
        OfReading(0.1),
        PRACTICE,
    ),
];

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_are_one_each_and_give_an_accuracy() {
        for class in CLASSES {
            let same = CLASSES.iter().filter(|other| other.name == class.name);
            assert_eq!(same.count(), 1, "{}", class.name);
            let accuracy = class.accuracy(Some(10.0)).expect(class.name);
            assert!(
                accuracy.at(5.0) > 0.0 && accuracy.at(5.0) < 2.0,
                "{class:?}"
            );
        }
        // IEC 60751: ±(0.3 + 0.005 |t|) at 25 degC.
        let class_b = InstrumentClass::named("rtd-b").and_then(|class| class.accuracy(None));
        assert_eq!(class_b.map(|accuracy| accuracy.at(25.0)), Some(0.425));
    }
}
