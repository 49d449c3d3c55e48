//! One cell of text: a figure, a switch, or missing.

use crate::units::Unit;

/// Words that mean "no reading" (common practice, no source). An empty cell means it too.
pub(super) const MISSING: [&[u8]; 9] = [
    b"NaN", b"nan", b"NA", b"N/A", b"n/a", b"null", b"None", b"-", b"--",
];

/// What is wrong with a cell, and what would be right.
pub(super) type CellFault = (&'static str, &'static str);

/// A cell that holds a figure, in the canonical unit; NaN where missing.
#[inline]
pub(super) fn number(cell: &[u8], unit: &Unit) -> Result<f64, CellFault> {
    let cell = cell.trim_ascii();
    if cell.is_empty() {
        return Ok(f64::NAN);
    }
    match fast_float2::parse::<f64, _>(cell) {
        Ok(value) if value.is_finite() => Ok(unit.to_canonical(value)),
        _ if MISSING.contains(&cell) => Ok(f64::NAN),
        Ok(_) => Err((
            "not a finite figure",
            "leave the cell empty where there is no reading",
        )),
        Err(_) if cell.contains(&b',') => Err((
            "not a figure",
            "write it with a decimal point and without separators: 1234.5",
        )),
        Err(_) => Err((
            "not a figure",
            "a figure such as 12.5, or nothing where there is no reading",
        )),
    }
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
