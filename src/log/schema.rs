//! The columns of a log: their names, and what each measures.

use crate::units::Quantity;

macro_rules! columns {
    ($($variant:ident $name:literal $quantity:ident $doc:literal;)*) => {
        /// A measured column of a log. Stream first, then quantity.
        #[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
        pub enum Column { $(#[doc = $doc] $variant,)* }

        impl Column {
            /// Every column, in the order in which tables are written.
            pub const ALL: &'static [Self] = &[$(Self::$variant,)*];

            /// Its name in a header.
            pub fn name(self) -> &'static str {
                match self { $(Self::$variant => $name,)* }
            }

            /// What it measures.
            pub fn quantity(self) -> Quantity {
                match self { $(Self::$variant => Quantity::$quantity,)* }
            }

            /// What it is, in a line.
            pub fn describe(self) -> &'static str {
                match self { $(Self::$variant => $doc,)* }
            }
        }
    };
}

columns! {
    FeedTemperature "feed_temperature" Temperature "temperature of the feed water";
    PermeateTemperature "permeate_temperature" Temperature "temperature of the permeate, by a second thermometer";
    ConcentrateTemperature "concentrate_temperature" Temperature "temperature of the concentrate, by a second thermometer";
    FeedPressure "feed_pressure" Pressure "gauge pressure at the inlet of the membranes";
    ConcentratePressure "concentrate_pressure" Pressure "gauge pressure of the concentrate at the end of the membranes";
    PermeatePressure "permeate_pressure" Pressure "gauge pressure of the permeate";
    DifferentialPressure "differential_pressure" Pressure "feed pressure less concentrate pressure";
    FeedFlow "feed_flow" Flow "raw feed to the unit, before any recycle joins it";
    PermeateFlow "permeate_flow" Flow "permeate made";
    ConcentrateFlow "concentrate_flow" Flow "concentrate that leaves the unit";
    RecycleFlow "recycle_flow" Flow "concentrate returned ahead of the membranes";
    FeedConductivity "feed_conductivity" Conductivity "conductivity of the raw feed, compensated to 25 degC";
    PermeateConductivity "permeate_conductivity" Conductivity "conductivity of the permeate, compensated to 25 degC";
    ConcentrateConductivity "concentrate_conductivity" Conductivity "conductivity of the concentrate, compensated to 25 degC";
    FeedTds "feed_tds" Concentration "dissolved salt in the raw feed";
    PermeateTds "permeate_tds" Concentration "dissolved salt in the permeate";
    ConcentrateTds "concentrate_tds" Concentration "dissolved salt in the concentrate";
    FeedPh "feed_ph" Acidity "pH of the feed";
    FeedSdi "feed_sdi" Number "silt density index of the feed (ASTM D4189, 15 min unless the test was shortened)";
    FeedTurbidity "feed_turbidity" Turbidity "turbidity of the feed";
    FeedFreeChlorine "feed_free_chlorine" Concentration "free chlorine in the feed, ahead of the membranes";
    CleaningPh "cleaning_ph" Acidity "pH of the solution while the membranes are cleaned; empty in service";
    Running "running" Switch "whether the unit was making water";
}

impl Column {
    /// Whether it tells what the membranes are exposed to, and no figure of theirs rests on it.
    pub fn is_exposure(self) -> bool {
        matches!(
            self,
            Self::FeedSdi | Self::FeedTurbidity | Self::FeedFreeChlorine | Self::CleaningPh
        )
    }

    /// The column of this name.
    pub fn from_name(name: &str) -> Option<Self> {
        Self::ALL
            .iter()
            .copied()
            .find(|column| column.name() == name)
    }
}

impl serde::Serialize for Column {
    fn serialize<S: serde::Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.serialize_str(self.name())
    }
}

/// The header of the time column.
pub const TIME: &str = "time";
/// The label columns, by which rows are told apart.
pub const LABELS: [&str; 2] = ["train", "stage"];

/// Every name that a header may have.
pub fn names() -> impl Iterator<Item = &'static str> {
    [TIME]
        .into_iter()
        .chain(Column::ALL.iter().map(|column| column.name()))
        .chain(LABELS)
}
