//! How fast a feed plugs a fine filter: the silt density index.

use crate::error::{Error, Fault, within};

/// Times of the two samples, s.
const TIME_S: (f64, f64) = (1e-3, 86_400.0);
/// Times between the two samples that the test knows, min.
const MINUTES: [f64; 3] = [5.0, 10.0, 15.0];
/// Above this plugging the index says little, and a shorter time is to be taken, % (ASTM D4189, from memory).
pub const MOST_PLUGGING: f64 = 75.0;

/// Silt density index, % a minute: SDI_T = (1 − t_i/t_f) · 100/T.
///
/// t_i and t_f in s: the times in which the first sample and that after T minutes pass (500 mL, 0.45 µm, 207 kPa). T: 15, 10 or 5 min; the
/// greatest index of T is that of a plugging of 75 %: 5 of 15 min. Source: ASTM D4189; its limit of plugging from memory.
///
/// NaN where a time is missing.
///
/// # Errors
/// [`Error::Range`] for a time that can't be, a last sample faster than the first, or plugging above 75 %: take a shorter T; [`Error::Series`] for
/// another T.
///
/// ```
/// use brinemark::water::silt_density::silt_density_index;
/// assert!((silt_density_index(30.0, 60.0, 15.0)? - 3.333).abs() < 1e-3);
/// assert!(silt_density_index(30.0, 150.0, 15.0).is_err());
/// # Ok::<(), brinemark::Error>(())
/// ```
pub fn silt_density_index(first_s: f64, last_s: f64, minutes: f64) -> Result<f64, Error> {
    within("first_s", first_s, TIME_S, " s")?;
    within("last_s", last_s, (first_s, TIME_S.1), " s")?;
    if !MINUTES.contains(&minutes) {
        return Err(Error::Series(
            Fault::new("no time of the test", "one of 5, 10 and 15 min")
                .at_column("minutes")
                .with_value(minutes.to_string())
                .into(),
        ));
    }
    let plugging = (1.0 - first_s / last_s) * 100.0;
    within(
        "plugging (take a shorter time)",
        plugging,
        (0.0, MOST_PLUGGING),
        " %",
    )?;
    Ok(plugging / minutes)
}
