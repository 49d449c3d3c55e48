//! Figures known as a mixture of normal distributions: their mean and their quantiles.

use statrs::distribution::{Continuous, ContinuousCDF, Normal};

/// One normal distribution of a mixture.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Component {
    /// Its share.
    pub share: f64,
    /// Its mean.
    pub mean: f64,
    /// Its standard deviation.
    pub deviation: f64,
}

/// The mean and the standard deviation of a mixture.
pub fn moments(mixture: &[Component]) -> (f64, f64) {
    let mean: f64 = mixture.iter().map(|part| part.share * part.mean).sum();
    let variance: f64 = mixture
        .iter()
        .map(|part| {
            let off = part.mean - mean;
            part.share * (part.deviation * part.deviation + off * off)
        })
        .sum();
    (mean, variance.max(0.0).sqrt())
}

/// How much of a mixture lies below a figure.
pub fn below(mixture: &[Component], figure: f64) -> f64 {
    let normal = Normal::standard();
    mixture
        .iter()
        .map(|part| {
            part.share
                * if part.deviation > 0.0 {
                    normal.cdf((figure - part.mean) / part.deviation)
                } else {
                    f64::from(u8::from(part.mean <= figure))
                }
        })
        .sum()
}

/// The figure below which this share of a mixture lies.
pub fn quantile(mixture: &[Component], share: f64) -> f64 {
    let normal = Normal::standard();
    let (mean, deviation) = moments(mixture);
    if !(deviation > 0.0) {
        return mean;
    }
    let wide = 12.0 * deviation;
    let (mut low, mut high) = (mean - wide, mean + wide);
    let mut figure = mean + deviation * normal.inverse_cdf(share);
    for _ in 0..60 {
        let off = below(mixture, figure) - share;
        if off > 0.0 {
            high = figure;
        } else {
            low = figure;
        }
        if off.abs() < 1e-6 {
            break;
        }
        let density: f64 = mixture
            .iter()
            .filter(|part| part.deviation > 0.0)
            .map(|part| {
                part.share * normal.pdf((figure - part.mean) / part.deviation) / part.deviation
            })
            .sum();
        let newton = figure - off / density;
        figure = if newton > low && newton < high {
            newton
        } else {
            0.5 * (low + high)
        };
    }
    figure
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_quantile_has_its_share_below() {
        let mixture =
            [(0.7, 0.0, 1.0), (0.3, 5.0, 0.2)].map(|(share, mean, deviation)| Component {
                share,
                mean,
                deviation,
            });
        for share in [0.01, 0.05, 0.3, 0.69, 0.71, 0.95, 0.999] {
            let figure = quantile(&mixture, share);
            assert!((below(&mixture, figure) - share).abs() < 2e-6, "{share}");
        }
        let (mean, deviation) = moments(&mixture);
        assert!((mean - 1.5).abs() < 1e-12);
        assert!((deviation - (0.7_f64 * (1.0 + 2.25) + 0.3 * (0.04 + 12.25)).sqrt()).abs() < 1e-12);
    }
}
