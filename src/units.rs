//! Units, parsed once at the edge.
//!
//! Inside, every figure is in its quantity's canonical unit: m3/h, bar (gauge), degC, mg/L, uS/cm, m2,
//! hours, L/m2/h. A [`Unit`] turns a user's figure into that and back. Absolute pressures are refused:
//! a normalisation takes gauge readings, and the difference is the weather.

use crate::error::{Error, Fault, nearest};

/// What a figure measures.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Quantity {
    /// Temperature; canonical degC.
    Temperature,
    /// Gauge or differential pressure; canonical bar.
    Pressure,
    /// Volume flow; canonical m3/h.
    Flow,
    /// Electrical conductivity, compensated to 25 degC; canonical uS/cm.
    Conductivity,
    /// Mass of salt in a volume of water; canonical mg/L.
    Concentration,
    /// pH.
    Acidity,
    /// Concentration over time; canonical mg/L h.
    Exposure,
    /// Light scattered by what floats in the water; canonical NTU.
    Turbidity,
    /// Membrane area; canonical m2.
    Area,
    /// A length; canonical m.
    Length,
    /// A length of time; canonical h.
    Duration,
    /// What a tank holds; canonical m3.
    Volume,
    /// Permeate flow through an area; canonical L/m2/h.
    Flux,
    /// Flux per net driving pressure; canonical L/m2/h/bar.
    WaterPermeability,
    /// A ratio; canonical a plain number (0.75), written by people as 75 %.
    Fraction,
    /// A temperature constant; canonical K.
    Kelvin,
    /// A plain number.
    Number,
    /// Yes or no.
    Switch,
}

/// A unit of one quantity: canonical = value × `scale` + `offset`.
#[derive(Debug, PartialEq)]
pub struct Unit {
    /// How brinemark writes it.
    pub word: &'static str,
    /// What it measures.
    pub quantity: Quantity,
    scale: f64,
    offset: f64,
    /// Other ways in which it is written.
    also: &'static [&'static str],
}

impl Unit {
    /// A figure in this unit, in the canonical one.
    #[inline]
    pub fn to_canonical(&self, value: f64) -> f64 {
        value * self.scale + self.offset
    }

    /// A canonical figure, in this unit. What was once given in this unit comes back so that it gives the same
    /// canonical figure again.
    #[inline]
    pub fn from_canonical(&self, value: f64) -> f64 {
        let own = (value - self.offset) / self.scale;
        if self.to_canonical(own) == value || value.is_nan() {
            return own;
        }
        // Rounded twice, it may have come out one step beside the figure that was given.
        [own.next_down(), own.next_up()]
            .into_iter()
            .find(|near| self.to_canonical(*near) == value)
            .unwrap_or(own)
    }

    /// A *difference* in this unit, in the canonical one: an accuracy of 1.8 degF is 1 degC.
    pub fn difference_to_canonical(&self, value: f64) -> f64 {
        value * self.scale
    }

    /// A canonical *difference*, in this unit.
    pub fn difference_from_canonical(&self, value: f64) -> f64 {
        value / self.scale
    }

    /// The unit written as `text`, of whatever quantity.
    ///
    /// # Errors
    /// [`Error::Unit`] names the nearest known unit.
    pub fn parse(text: &str) -> Result<&'static Self, Error> {
        let word = text.trim();
        let exact = |unit: &&Self| unit.word == word || unit.also.contains(&word);
        // "PSI" and "Bar" are common in hand-written headers. Case only tells units apart for mS and
        // MS, mPa and MPa: those are not matched loosely.
        let loosely = |unit: &&Self| {
            !word.starts_with(['m', 'M'])
                && std::iter::once(&unit.word)
                    .chain(unit.also)
                    .any(|name| name.eq_ignore_ascii_case(word))
        };
        if let Some(unit) = UNITS
            .iter()
            .find(exact)
            .or_else(|| UNITS.iter().find(loosely))
        {
            return Ok(unit);
        }
        if ["psia", "bara", "bar a", "bar(a)", "kPa a", "kPaa"].contains(&word) {
            return Err(Error::Unit(
                Fault::new(
                    "absolute pressure, where gauge pressure is needed",
                    "subtract the site's air pressure and give the gauge figure",
                )
                .with_value(word),
            ));
        }
        let words = UNITS
            .iter()
            .flat_map(|unit| std::iter::once(&unit.word).chain(unit.also));
        let remedy = match nearest(word, words.copied()) {
            Some(near) => format!("did you mean '{near}'?"),
            None => format!("known units: {}", Self::words().join(" ")),
        };
        Err(Error::Unit(
            Fault::new("unit not known", remedy).with_value(word),
        ))
    }

    /// The unit written as `text`, which must measure `quantity`.
    ///
    /// # Errors
    /// [`Error::Unit`] where it is not known or measures something else.
    pub fn parse_as(text: &str, quantity: Quantity) -> Result<&'static Self, Error> {
        let unit = Self::parse(text)?;
        if unit.quantity == quantity {
            return Ok(unit);
        }
        // "°F" may be meant for a flow; "K" is both a temperature and the unit of a constant.
        if (unit.quantity, quantity) == (Quantity::Temperature, Quantity::Kelvin)
            && unit.word == "K"
        {
            return Ok(&KELVIN);
        }
        Err(Error::Unit(
            Fault::new(
                format!(
                    "a unit of {}, where one of {} is needed",
                    unit.quantity.name(),
                    quantity.name()
                ),
                format!("one of: {}", quantity.words().join(" ")),
            )
            .with_value(text.trim()),
        ))
    }

    /// Every unit's word.
    pub fn words() -> Vec<&'static str> {
        UNITS
            .iter()
            .map(|unit| unit.word)
            .filter(|word| !word.is_empty())
            .collect()
    }

    /// Every accepted spelling with the unit it means.
    pub fn spellings() -> impl Iterator<Item = (&'static str, &'static Self)> {
        UNITS.iter().flat_map(|unit| {
            std::iter::once(&unit.word)
                .chain(unit.also)
                .map(move |word| (*word, unit))
        })
    }
}

impl Quantity {
    /// Its name in a message.
    pub fn name(self) -> &'static str {
        match self {
            Self::Temperature => "temperature",
            Self::Pressure => "pressure",
            Self::Flow => "flow",
            Self::Conductivity => "conductivity",
            Self::Concentration => "concentration",
            Self::Acidity => "pH",
            Self::Turbidity => "turbidity",
            Self::Exposure => "exposure",
            Self::Area => "area",
            Self::Length => "length",
            Self::Duration => "time",
            Self::Volume => "volume",
            Self::Flux => "flux",
            Self::WaterPermeability => "water permeability",
            Self::Fraction => "ratio",
            Self::Kelvin => "temperature constant",
            Self::Number => "plain number",
            Self::Switch => "yes or no",
        }
    }

    /// The unit of the figures inside.
    pub fn canonical(self) -> &'static Unit {
        // The table lists the canonical unit of each quantity first; `Number` has no entry to miss.
        UNITS
            .iter()
            .find(|unit| unit.quantity == self)
            .unwrap_or(&NUMBER)
    }

    /// Whether its figures need a unit beside them.
    pub fn needs_unit(self) -> bool {
        !matches!(
            self,
            Self::Acidity | Self::Number | Self::Switch | Self::Fraction
        )
    }

    /// The words of its units.
    pub fn words(self) -> Vec<&'static str> {
        if self == Self::Kelvin {
            return vec![KELVIN.word];
        }
        UNITS
            .iter()
            .filter(|unit| unit.quantity == self)
            .map(|unit| unit.word)
            .collect()
    }
}

/// A figure with its unit, as in "9.5 bar", in the canonical unit of `quantity`.
///
/// # Errors
/// [`Error::Unit`] where the figure or the unit can't be read.
pub fn parse_quantity(text: &str, quantity: Quantity) -> Result<f64, Error> {
    let (value, unit) = split_quantity(text, quantity)?;
    Ok(unit.to_canonical(value))
}

/// What of a text such as "9.5 bar" is written as its figure, and what as its unit.
pub(crate) fn split_figure(text: &str) -> (&str, &str) {
    let text = text.trim();
    let end = text
        .char_indices()
        .find(|(at, c)| {
            let exponent = matches!(c, 'e' | 'E')
                && text[at + 1..].starts_with(|next: char| next.is_ascii_digit() || next == '-');
            !(c.is_ascii_digit() || matches!(c, '.' | '+' | '-') || exponent)
        })
        .map_or(text.len(), |(at, _)| at);
    text.split_at(end)
}

/// The figure and the unit of a text such as "9.5 bar".
pub(crate) fn split_quantity(
    text: &str,
    quantity: Quantity,
) -> Result<(f64, &'static Unit), Error> {
    let text = text.trim();
    let (figure, word) = split_figure(text);
    let example = quantity
        .words()
        .first()
        .map_or(String::new(), |word| format!("12.5 {word}"));
    let value = figure
        .parse::<f64>()
        .ok()
        .filter(|value| value.is_finite())
        .ok_or_else(|| {
            Error::Unit(
                Fault::new(
                    "not a figure with its unit",
                    format!("write it as \"{}\"", example.trim()),
                )
                .with_value(text),
            )
        })?;
    if word.trim().is_empty() && quantity.needs_unit() {
        return Err(Error::Unit(
            Fault::new(
                format!("no unit of {}", quantity.name()),
                format!(
                    "write it as \"{example}\"; one of: {}",
                    quantity.words().join(" ")
                ),
            )
            .with_value(text),
        ));
    }
    Ok((
        value,
        Unit::parse_as(word, quantity).or_else(|error| {
            if word.trim().is_empty() {
                Ok(quantity.canonical())
            } else {
                Err(error)
            }
        })?,
    ))
}

/// Turns a value from one unit to another of the same quantity.
///
/// # Errors
/// [`Error::Unit`] where a unit is not known or the two measure different things.
///
/// ```
/// let gpm = brinemark::units::convert(4000.0, "gpd", "gpm")?;
/// assert!((gpm - 2.7778).abs() < 1e-4);
/// # Ok::<(), brinemark::Error>(())
/// ```
pub fn convert(value: f64, from: &str, to: &str) -> Result<f64, Error> {
    let from = Unit::parse(from)?;
    let to = Unit::parse_as(to, from.quantity)?;
    Ok(to.from_canonical(from.to_canonical(value)))
}

const GALLON_M3: f64 = 231.0 * 0.0254 * 0.0254 * 0.0254; // 231 cubic inches, exact
const POUND_FORCE_N: f64 = 0.453_592_37 * 9.806_65; // exact
const PSI_BAR: f64 = POUND_FORCE_N / (0.0254 * 0.0254) / 1e5;
const SQUARE_FOOT_M2: f64 = 0.3048 * 0.3048; // exact
const GFD_LMH: f64 = GALLON_M3 * 1000.0 / SQUARE_FOOT_M2 / 24.0;

const fn unit(
    word: &'static str,
    quantity: Quantity,
    scale: f64,
    also: &'static [&'static str],
) -> Unit {
    Unit {
        word,
        quantity,
        scale,
        offset: 0.0,
        also,
    }
}

static NUMBER: Unit = unit("", Quantity::Number, 1.0, &[]);
static KELVIN: Unit = unit("K", Quantity::Kelvin, 1.0, &[]);

/// The canonical unit of each quantity stands first.
static UNITS: &[Unit] = &[
    unit(
        "degC",
        Quantity::Temperature,
        1.0,
        &["°C", "C", "deg C", "celsius"],
    ),
    Unit {
        word: "degF",
        quantity: Quantity::Temperature,
        scale: 5.0 / 9.0,
        offset: -32.0 * 5.0 / 9.0,
        also: &["°F", "F", "deg F", "fahrenheit"],
    },
    Unit {
        word: "K",
        quantity: Quantity::Temperature,
        scale: 1.0,
        offset: -273.15,
        also: &["kelvin"],
    },
    unit(
        "bar",
        Quantity::Pressure,
        1.0,
        &["barg", "bar g", "bar(g)", "bard"],
    ),
    unit(
        "psi",
        Quantity::Pressure,
        PSI_BAR,
        &["psig", "psid", "lbf/in2"],
    ),
    unit("kPa", Quantity::Pressure, 0.01, &["kPag"]),
    unit("MPa", Quantity::Pressure, 10.0, &[]),
    unit("mbar", Quantity::Pressure, 0.001, &[]),
    unit("Pa", Quantity::Pressure, 1e-5, &[]),
    unit("kgf/cm2", Quantity::Pressure, 0.980_665, &["kg/cm2"]),
    unit(
        "m3/h",
        Quantity::Flow,
        1.0,
        &["m³/h", "m3/hr", "m^3/h", "cmh"],
    ),
    unit(
        "m3/d",
        Quantity::Flow,
        1.0 / 24.0,
        &["m³/d", "m3/day", "m^3/d"],
    ),
    unit("L/min", Quantity::Flow, 0.06, &["l/min", "lpm", "LPM"]),
    unit("L/h", Quantity::Flow, 0.001, &["l/h", "lph", "LPH"]),
    unit("L/s", Quantity::Flow, 3.6, &["l/s"]),
    unit(
        "gpm",
        Quantity::Flow,
        GALLON_M3 * 60.0,
        &["gal/min", "US gpm", "GPM"],
    ),
    unit(
        "gpd",
        Quantity::Flow,
        GALLON_M3 / 24.0,
        &["gal/day", "gal/d", "GPD"],
    ),
    unit(
        "MGD",
        Quantity::Flow,
        GALLON_M3 * 1e6 / 24.0,
        &["mgd", "Mgal/d"],
    ),
    unit(
        "uS/cm",
        Quantity::Conductivity,
        1.0,
        &["µS/cm", "μS/cm", "umho/cm", "us/cm"],
    ),
    unit("mS/cm", Quantity::Conductivity, 1000.0, &["mmho/cm"]),
    unit("mS/m", Quantity::Conductivity, 10.0, &[]),
    unit("S/m", Quantity::Conductivity, 10_000.0, &[]),
    unit(
        "mg/L",
        Quantity::Concentration,
        1.0,
        &["mg/l", "ppm", "g/m3"],
    ),
    unit("g/L", Quantity::Concentration, 1000.0, &["g/l", "kg/m3"]),
    unit(
        "mg/L h",
        Quantity::Exposure,
        1.0,
        &["mg/L·h", "mg h/L", "ppm h", "ppm·h"],
    ),
    unit("NTU", Quantity::Turbidity, 1.0, &[]),
    unit("m2", Quantity::Area, 1.0, &["m²", "m^2"]),
    unit(
        "ft2",
        Quantity::Area,
        SQUARE_FOOT_M2,
        &["ft²", "sq ft", "ft^2"],
    ),
    unit("m", Quantity::Length, 1.0, &[]),
    unit("mm", Quantity::Length, 1e-3, &[]),
    unit("in", Quantity::Length, 0.0254, &["inch", "inches"]),
    unit("ft", Quantity::Length, 0.3048, &["foot", "feet"]),
    unit("mil", Quantity::Length, 2.54e-5, &[]),
    unit("h", Quantity::Duration, 1.0, &["hr", "hour", "hours"]),
    unit(
        "min",
        Quantity::Duration,
        1.0 / 60.0,
        &["minute", "minutes"],
    ),
    unit(
        "s",
        Quantity::Duration,
        1.0 / 3600.0,
        &["second", "seconds"],
    ),
    unit("d", Quantity::Duration, 24.0, &["day", "days"]),
    unit("m3", Quantity::Volume, 1.0, &["m³", "m^3"]),
    unit(
        "L",
        Quantity::Volume,
        1e-3,
        &["litre", "litres", "liter", "liters"],
    ),
    unit(
        "gal",
        Quantity::Volume,
        GALLON_M3,
        &["gallon", "gallons", "US gal"],
    ),
    unit(
        "L/m2/h",
        Quantity::Flux,
        1.0,
        &["LMH", "l/m2/h", "L/(m2 h)"],
    ),
    unit(
        "gfd",
        Quantity::Flux,
        GFD_LMH,
        &["gal/ft2/day", "gal/ft2/d"],
    ),
    unit("L/m2/h/bar", Quantity::WaterPermeability, 1.0, &["LMH/bar"]),
    unit(
        "gfd/psi",
        Quantity::WaterPermeability,
        GFD_LMH / PSI_BAR,
        &[],
    ),
    unit("", Quantity::Fraction, 1.0, &[]),
    unit("%", Quantity::Fraction, 0.01, &["percent"]),
];

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_spelling_means_one_unit() {
        for (word, unit) in Unit::spellings().filter(|(word, _)| !word.is_empty()) {
            assert_eq!(Unit::parse(word).expect(word), unit, "{word}");
        }
    }

    #[test]
    fn a_figure_keeps_its_sign_and_exponent() {
        let bar = |text| parse_quantity(text, Quantity::Pressure);
        assert_eq!(bar("-1.5e-1 bar").unwrap(), -0.15);
        assert!((bar("140psi").unwrap() - 9.652_660).abs() < 1e-6);
        assert_eq!(parse_quantity("75 %", Quantity::Fraction).unwrap(), 0.75);
        assert_eq!(parse_quantity("0.75", Quantity::Fraction).unwrap(), 0.75);
        assert_eq!(parse_quantity("2700 K", Quantity::Kelvin).unwrap(), 2700.0);
    }

    #[test]
    fn what_can_not_be_read_says_what_would_be_right() {
        let message = |text, quantity| parse_quantity(text, quantity).unwrap_err().to_string();
        assert!(message("12", Quantity::Pressure).contains("no unit of pressure"));
        assert!(message("12 psia", Quantity::Pressure).contains("gauge"));
        assert!(message("12 gpm", Quantity::Pressure).contains("a unit of flow"));
        assert!(message("12 pis", Quantity::Pressure).contains("did you mean 'psi'"));
        assert!(message("about 12 psi", Quantity::Pressure).contains("not a figure"));
    }
}
