//! One cell of text: a figure, a switch, or missing.

use crate::units::Unit;

/// Words that mean "no reading" (common practice, no source). An empty cell means it too. #N/A is how a sheet
/// says it; a sheet's other errors are faults.
pub(super) const MISSING: [&[u8]; 10] = [
    b"NaN", b"nan", b"NA", b"N/A", b"#N/A", b"n/a", b"null", b"None", b"-", b"--",
];

/// What is wrong with a cell, and what would be right.
pub(super) type CellFault = (&'static str, &'static str);

/// Longer than any figure is written.
const LONGEST: usize = 64;

/// How figures are written.
#[derive(Debug, Clone, Copy)]
pub(super) struct Figures {
    /// What stands before the decimals, where the caller has said so.
    decimal: Option<u8>,
}

/// The finest decimal place that the figures of a column are written to: 2 for 12.50, −3 for 1e3.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(super) struct Finest(i32);

impl Default for Finest {
    /// Of no figure yet.
    fn default() -> Self {
        Self(i32::MIN)
    }
}

impl Finest {
    /// The step of the last place.
    pub fn step(self) -> Option<f64> {
        // Read back from text: 1e-1 is nearer to a tenth than a power is.
        let step: f64 = format!("1e{}", -i64::from(self.0)).parse().ok()?;
        (step > 0.0 && step.is_finite()).then_some(step)
    }

    /// Takes in a figure, written with a decimal point.
    #[inline]
    fn see(&mut self, text: &[u8]) {
        let mut decimals = 0;
        for byte in text.iter().rev() {
            match byte {
                b'0'..=b'9' => decimals += 1,
                b'.' => return self.0 = self.0.max(decimals),
                _ => return self.see_any(text),
            }
        }
        self.0 = self.0.max(0);
    }

    /// Takes in a figure that has more than digits and a point.
    #[cold]
    fn see_any(&mut self, text: &[u8]) {
        let (digits, exponent): (_, f64) = match memchr::memchr2(b'e', b'E', text) {
            Some(at) => (
                &text[..at],
                fast_float2::parse(&text[at + 1..]).unwrap_or(0.0),
            ),
            None => (text, 0.0),
        };
        let decimals = memchr::memchr(b'.', digits).map_or(0, |at| digits.len() - at - 1);
        // Beyond what a figure can hold, the place no longer matters.
        let exponent = exponent.clamp(-400.0, 400.0) as i32;
        self.0 = self.0.max(decimals as i32 - exponent);
    }
}

impl Figures {
    pub fn new(decimal: Option<char>) -> Self {
        let decimal = decimal.and_then(|mark| u8::try_from(mark).ok());
        Self { decimal }
    }

    /// The figure that a text begins with, and how long it is written, where it is a short one: up to seven digits, a
    /// point among them or none; finite in any unit. In the canonical one, and the same to the last bit as by [`Self::number`].
    #[inline(always)]
    pub fn short_number(
        self,
        text: &[u8],
        unit: &Unit,
        finest: &mut Finest,
    ) -> Option<(f64, usize)> {
        if self.decimal == Some(b',') {
            return None;
        }
        let Short {
            digits,
            decimals,
            length,
        } = Short::at_start(text.first_chunk()?)?;
        // Both are exact, so that the quotient is the nearest figure there is.
        let value = unit.to_canonical(f64::from(digits) / POWERS_OF_TEN[decimals & 7]);
        finest.0 = finest.0.max(decimals as i32);
        Some((value, length))
    }

    /// A cell that holds a figure, in the canonical unit; NaN where missing.
    #[inline]
    pub fn number(self, cell: &[u8], unit: &Unit, finest: &mut Finest) -> Result<f64, CellFault> {
        let cell = cell.trim_ascii();
        // A point in a figure with a decimal comma stands between thousands.
        if self.decimal != Some(b',')
            && let Ok(value) = fast_float2::parse::<f64, _>(cell)
            && unit.to_canonical(value).is_finite()
        {
            finest.see(cell);
            return Ok(unit.to_canonical(value));
        }
        self.any_number(cell, unit, finest)
    }

    /// A cell that is no plain figure.
    fn any_number(self, cell: &[u8], unit: &Unit, finest: &mut Finest) -> Result<f64, CellFault> {
        if cell.is_empty() || MISSING.contains(&cell) {
            return Ok(f64::NAN);
        }
        let mut plain = [0; LONGEST];
        let plain = if memchr::memchr2(b'.', b',', cell).is_none()
            && fast_float2::parse::<f64, _>(cell).is_ok()
        {
            Some(cell)
        } else {
            self.decimal
                .and_then(|mark| without_thousands(cell, mark, &mut plain))
                .map(|length| &plain[..length])
        };
        if let Some(plain) = plain
            && let Ok(value) = fast_float2::parse::<f64, _>(plain)
        {
            // A figure may be finite in its own unit alone: 1e308 mS/cm.
            let value = unit.to_canonical(value);
            if !value.is_finite() {
                return Err((
                    "not a finite figure",
                    "leave the cell empty where there is no reading",
                ));
            }
            finest.see(plain);
            return Ok(value);
        }
        Err(match self.decimal {
            _ if cell.starts_with(b"#") => (
                "an error of the sheet, not a figure",
                "mend its formula, or leave the cell empty where there is no reading",
            ),
            Some(b',') if cell.contains(&b'.') => (
                "not a figure",
                "with decimal=\",\" a point stands between thousands only: 1.234,5",
            ),
            Some(_) if cell.contains(&b',') => (
                "not a figure",
                "with decimal=\".\" a comma stands between thousands only: 1,234.5",
            ),
            None if cell.contains(&b',') => (
                "not a figure",
                "write it with a decimal point and without separators: 1234.5; or, if the comma stands before \
                 decimals, give decimal=\",\", and if it stands between thousands, decimal=\".\"",
            ),
            _ => (
                "not a figure",
                "a figure such as 12.5, or nothing where there is no reading",
            ),
        })
    }
}

const POWERS_OF_TEN: [f64; 8] = [1.0, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7];

/// A figure of up to seven digits.
struct Short {
    digits: u32,
    decimals: usize,
    length: usize,
}

impl Short {
    /// All eight bytes are looked at together, as one word: the first in its lowest place.
    #[inline(always)]
    fn at_start(text: &[u8; 8]) -> Option<Self> {
        const EACH: u64 = 0x0101_0101_0101_0101;
        const HIGH: u64 = 0x80 * EACH;
        // The high bit of each byte that isn't zero.
        let filled = |word: u64| (((word & !HIGH) + 0x7f * EACH) | word) & HIGH;
        let word = u64::from_le_bytes(*text);
        let values = word ^ (u64::from(b'0') * EACH);
        // Of a digit the value is below ten: of any other byte this addition reaches the high bit, or it is set.
        let no_digits = (((values & !HIGH) + 0x76 * EACH) | values) & HIGH;
        let points = !filled(word ^ (u64::from(b'.') * EACH)) & HIGH;
        let ends = no_digits & !points;
        let length = (ends.trailing_zeros() / 8) as usize;
        if length == 0 || length == 8 {
            return None;
        }
        let points = points & ((1 << (8 * length)) - 1);
        let (behind_point, decimals) = if points == 0 {
            (0, 0)
        } else {
            let point = (points.trailing_zeros() / 8) as usize;
            let one_within = points.is_power_of_two() && point > 0 && point + 1 < length;
            if !one_within {
                return None;
            }
            (u64::MAX << (8 * point), length - 1 - point)
        };
        let digits = length - usize::from(points != 0);
        // Without the point, and moved up so that zeros stand before the first digit.
        let digits =
            ((values & !behind_point) | ((values >> 8) & behind_point)) << (64 - 8 * digits);
        // By pairs, by fours, all.
        let pairs = digits.wrapping_mul(10).wrapping_add(digits >> 8);
        let of_pairs = |pairs: u64, high: u64, low: u64| {
            (pairs & 0x0000_00ff_0000_00ff).wrapping_mul((high << 32) + low)
        };
        let all =
            of_pairs(pairs, 1_000_000, 100).wrapping_add(of_pairs(pairs >> 16, 10_000, 1)) >> 32;
        Some(Self {
            digits: all as u32,
            decimals,
            length,
        })
    }
}

/// Writes a figure with thousands apart, or with a decimal comma, in the plain way: 1.234,5 as 1234.5. Its
/// length, or nothing where thousands don't stand in threes.
fn without_thousands(cell: &[u8], mark: u8, plain: &mut [u8; LONGEST]) -> Option<usize> {
    let (whole, decimals) = match memchr::memchr(mark, cell) {
        Some(at) => (&cell[..at], Some(&cell[at + 1..])),
        None => (cell, None),
    };
    // No separator behind the decimal mark, and no second mark: only what a plain figure has there.
    if decimals.is_some_and(|rest| {
        !rest
            .iter()
            .all(|byte| byte.is_ascii_digit() || matches!(byte, b'e' | b'E' | b'-' | b'+'))
    }) {
        return None;
    }
    let whole = std::str::from_utf8(whole).ok()?;
    let (sign, digits) = match whole.strip_prefix(['-', '+']) {
        Some(digits) => (&whole[..1], digits),
        None => ("", whole),
    };
    // What may stand between thousands: the other mark, an apostrophe, or a space of some width.
    let other = if mark == b',' { '.' } else { ',' };
    let between =
        |c: char| c == other || matches!(c, '\'' | '’' | ' ' | '\u{a0}' | '\u{2009}' | '\u{202f}');
    let mut groups = digits.split(between);
    let first = groups.next()?;
    let mut apart = digits.chars().filter(|c| between(*c));
    let one = apart.next();
    if apart.any(|c| Some(c) != one) {
        return None;
    }
    let mut rest = groups.clone();
    let in_threes = one.is_none()
        || ((1..=3).contains(&first.len())
            && first.bytes().all(|byte| byte.is_ascii_digit())
            && rest
                .all(|group| group.len() == 3 && group.bytes().all(|byte| byte.is_ascii_digit())));
    if !in_threes {
        return None;
    }
    let mut length = 0;
    let mut write = |bytes: &[u8]| -> Option<()> {
        plain
            .get_mut(length..length + bytes.len())?
            .copy_from_slice(bytes);
        length += bytes.len();
        Some(())
    };
    write(sign.as_bytes())?;
    write(first.as_bytes())?;
    for group in groups {
        write(group.as_bytes())?;
    }
    if let Some(decimals) = decimals {
        write(b".")?;
        write(decimals)?;
    }
    Some(length)
}

/// A cell that says yes or no: 1, 0, or NaN where missing.
pub(super) fn switch(cell: &[u8]) -> Result<f64, CellFault> {
    let cell = cell.trim_ascii();
    let is = |words: &[&str]| {
        words
            .iter()
            .any(|word| cell.eq_ignore_ascii_case(word.as_bytes()))
    };
    if is(&["true", "yes", "on", "1", "1.0"]) {
        Ok(1.0)
    } else if is(&["false", "no", "off", "0", "0.0"]) {
        Ok(0.0)
    } else if cell.is_empty() || MISSING.contains(&cell) {
        Ok(f64::NAN)
    } else {
        Err(("neither yes nor no", "true or false"))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::Quantity;

    fn number(cell: &[u8], unit: &Unit) -> Result<f64, CellFault> {
        Figures::new(None).number(cell, unit, &mut Finest::default())
    }

    #[test]
    fn commas_and_thousands_as_the_caller_says() {
        let bar = Quantity::Pressure.canonical();
        let read = |mark: char, cell: &str| {
            Figures::new(Some(mark)).number(cell.as_bytes(), bar, &mut Finest::default())
        };
        for (mark, cell, value) in [
            (',', "1.234,5", 1234.5),
            (',', "12,5", 12.5),
            (',', "-12,5e-1", -1.25),
            (',', "1.234", 1234.0),
            (',', "12345,5", 12345.5),
            (',', "1 234 567,5", 1_234_567.5),
            (',', "1\u{202f}234,5", 1234.5),
            (',', "1'234,5", 1234.5),
            (',', "7", 7.0),
            (',', ",5", 0.5),
            ('.', "1,234.5", 1234.5),
            ('.', "1,234", 1234.0),
            ('.', "12.5", 12.5),
            ('.', "-1,234,567", -1_234_567.0),
        ] {
            assert_eq!(read(mark, cell), Ok(value), "{cell} with {mark}");
        }
        for (mark, cell) in [
            (',', "12.5"),
            (',', "1.23,5"),
            (',', "1.2345"),
            (',', "1,234,5"),
            (',', "1.234 567,5"),
            (',', ".123"),
            (',', "1,2.345"),
            ('.', "12,5"),
            ('.', "1,2345"),
            ('.', "1.234,5"),
            ('.', "1.234.567"),
            ('.', "#REF!"),
            (',', "- 123"),
        ] {
            assert!(read(mark, cell).is_err(), "{cell} with {mark}");
        }
        // Without a setting, a comma is never guessed at.
        for cell in ["1,234", "12,5", "1 234"] {
            assert!(number(cell.as_bytes(), bar).is_err(), "{cell}");
        }
        let (_, remedy) = number(b"12,5", bar).unwrap_err();
        assert!(remedy.contains("decimal=\",\""));
    }

    #[test]
    fn a_short_figure_is_the_same_by_either_way() {
        let degf = Quantity::Temperature.canonical();
        let mut taken = 0;
        let mut check = |text: String| {
            let (mut short, mut any) = (Finest::default(), Finest::default());
            let figures = Figures::new(None);
            let Some((value, length)) =
                figures.short_number(format!("{text},12.345").as_bytes(), degf, &mut short)
            else {
                return;
            };
            taken += 1;
            let cell = &text.as_bytes()[..length];
            let expected = figures.number(cell, degf, &mut any).unwrap();
            assert_eq!(value.to_bits(), expected.to_bits(), "{text}");
            assert_eq!(short, any, "{text}");
            let next = text.as_bytes().get(length);
            assert!(
                !next.is_some_and(|byte| byte.is_ascii_digit() || *byte == b'.'),
                "{text}"
            );
        };
        let mut state = 1_u64;
        for _ in 0..200_000 {
            state = state
                .wrapping_mul(6_364_136_223_846_793_005)
                .wrapping_add(1);
            let length = 1 + (state >> 33) % 9;
            let one_of = b"0123456789012345678901234567890123456789..- eE+x\xff\x80/:";
            let text = (0..length).map(|at| {
                let place = (state >> (at * 5)) ^ (state >> 40);
                one_of[place as usize % one_of.len()]
            });
            check(String::from_utf8_lossy(&text.collect::<Vec<u8>>()).into_owned());
        }
        for whole in 0..10_000 {
            for decimals in 0..1000_u32 {
                if (whole + decimals) % 97 == 0 {
                    check(format!("{whole}.{decimals:03}"));
                }
            }
        }
        assert!(taken > 100_000, "{taken}");
    }

    #[test]
    fn the_finest_place_is_remembered() {
        let bar = Quantity::Pressure.canonical();
        let finest = |cells: &[&str]| {
            let mut finest = Finest::default();
            for cell in cells {
                let _ = Figures::new(Some(',')).number(cell.as_bytes(), bar, &mut finest);
            }
            finest.step()
        };
        assert_eq!(finest(&["12", "", "-", "x"]), Some(1.0));
        assert_eq!(finest(&["12,50", "12", "1,5"]), Some(0.01));
        assert_eq!(finest(&["12,5", "1,5e3"]), Some(0.1));
        assert_eq!(finest(&["2e3"]), Some(1000.0));
        assert_eq!(finest(&["1.234"]), Some(1.0));
        assert_eq!(finest(&["2,5", "1,5e-3"]), Some(0.0001));
        assert_eq!(finest(&[""]), None);
    }

    #[test]
    fn missing_is_missing_and_zero_is_a_value() {
        let bar = Quantity::Pressure.canonical();
        for cell in ["", "  ", "NaN", "N/A", "-"] {
            assert!(number(cell.as_bytes(), bar).unwrap().is_nan(), "{cell}");
        }
        assert_eq!(number(b" 0 ", bar), Ok(0.0));
        assert_eq!(number(b"-0.5e1", bar), Ok(-5.0));
        for cell in ["12,5", "inf", "-inf", "1e999", "12 psi", "O.5", "1..2"] {
            assert!(number(cell.as_bytes(), bar).is_err(), "{cell}");
        }
        assert_eq!(switch(b"Off"), Ok(0.0));
        assert!(switch(b"perhaps").is_err());
    }
}
