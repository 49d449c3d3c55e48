//! The feed channel of a spiral element: how fast salt is carried off the membrane, and what pressure that costs.

use crate::error::{Error, within};
use crate::number::Number;
use crate::water::{ZERO_CELSIUS_K, density, viscosity};

/// The open share of a feed spacer's volume (Schock and Miquel, Desalination 64 (1987) 339, from memory).
pub const SPACER_POROSITY: f64 = 0.89;

/// Diffusion coefficient of sodium chloride in water at 25 degC and no salt, m2/s (from the ions' limiting
/// conductivities by Nernst and Hartley; R. A. Robinson and R. H. Stokes, Electrolyte Solutions, from memory).
pub const DIFFUSION_25DEGC_M2_S: f64 = 1.611e-9;

/// A feed channel filled with its spacer.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Channel {
    length_m: f64,
    hydraulic_diameter_m: f64,
    /// Open cross-section of the whole element, m2.
    cross_section_m2: f64,
}

impl Channel {
    /// The channel of an element of this membrane area, length along the flow, and spacer thickness.
    ///
    /// Both sides of a channel are membrane, so its width is area/(2 length). The hydraulic diameter of a channel of
    /// height h, filled with filaments half as thick, is 4 ε h/[2 + 8 (1 − ε)] with ε = [`SPACER_POROSITY`] (Schock and
    /// Miquel, Desalination 64 (1987) 339, from memory).
    ///
    /// # Errors
    /// [`Error::Range`] for an area outside 0.0001 to 1000 m2, a length outside 0.05 to 3 m, a spacer outside 0.0002 to 0.005 m.
    pub fn new(area_m2: f64, length_m: f64, spacer_thickness_m: f64) -> Result<Self, Error> {
        within("area", area_m2, (1e-4, 1000.0), " m2")?;
        within("length", length_m, LENGTH_M, " m")?;
        within(
            "feed_spacer_thickness",
            spacer_thickness_m,
            SPACER_THICKNESS_M,
            " m",
        )?;
        let width = area_m2 / (2.0 * length_m);
        Ok(Self {
            length_m,
            hydraulic_diameter_m: 4.0 * SPACER_POROSITY * spacer_thickness_m
                / (2.0 + 8.0 * (1.0 - SPACER_POROSITY)),
            cross_section_m2: width * spacer_thickness_m * SPACER_POROSITY,
        })
    }

    /// Reynolds number of a feed-side flow in m3/h, at a temperature in degC: ρ u d/μ. The laws below were measured at
    /// 100 to 1000.
    ///
    /// # Errors
    /// [`Error::Range`] outside the temperatures of the density of water.
    pub fn reynolds(&self, flow_m3_h: f64, temperature_degc: f64) -> Result<f64, Error> {
        density::density(temperature_degc)?;
        viscosity::viscosity(temperature_degc)?;
        Ok(self.reynolds_of_flow(temperature_degc) * flow_m3_h)
    }

    /// Mass transfer coefficient of the film at the membrane, L/m2/h, at a feed-side flow in m3/h and a
    /// temperature in degC: Sh D/d with Sh = 0.065 Re^0.875 Sc^0.25.
    ///
    /// Source: Schock and Miquel, Desalination 64 (1987) 339 (coefficients from memory), for spacer-filled channels at Re 100 to
    /// 1000. D is that of sodium chloride, which follows T/μ (Stokes and Einstein).
    ///
    /// # Errors
    /// [`Error::Range`] outside the temperatures of the density of water.
    ///
    /// ```
    /// use brinemark::membrane::channel::Channel;
    /// let channel = Channel::new(37.2, 1.0, 0.79e-3)?;
    /// let coefficient = channel.mass_transfer(8.0, 25.0)?;
    /// assert!((150.0..220.0).contains(&coefficient));
    /// # Ok::<(), brinemark::Error>(())
    /// ```
    pub fn mass_transfer(&self, flow_m3_h: f64, temperature_degc: f64) -> Result<f64, Error> {
        self.reynolds(flow_m3_h, temperature_degc)?;
        Ok(self
            .at(temperature_degc)
            .mass_transfer(Number::ln(flow_m3_h)))
    }

    /// Pressure drop along one clean element, bar, at a feed-side flow in m3/h and a temperature in degC:
    /// f (L/d) ρ u²/2 with f = 6.23 Re^−0.3.
    ///
    /// Source: Schock and Miquel, Desalination 64 (1987) 339 (coefficients from memory).
    ///
    /// # Errors
    /// [`Error::Range`] outside the temperatures of the density of water.
    ///
    /// ```
    /// use brinemark::membrane::channel::Channel;
    /// let channel = Channel::new(37.2, 1.0, 0.79e-3)?;
    /// assert!((0.1..0.3).contains(&channel.pressure_drop(8.0, 25.0)?));
    /// # Ok::<(), brinemark::Error>(())
    /// ```
    pub fn pressure_drop(&self, flow_m3_h: f64, temperature_degc: f64) -> Result<f64, Error> {
        self.reynolds(flow_m3_h, temperature_degc)?;
        Ok(self
            .at(temperature_degc)
            .pressure_drop(Number::ln(flow_m3_h)))
    }

    /// Reynolds number of 1 m3/h.
    #[inline(always)]
    fn reynolds_of_flow<T: Number>(&self, temperature: T) -> T {
        let velocity = 1.0 / (3600.0 * self.cross_section_m2);
        density::unchecked(temperature) * (velocity * self.hydraulic_diameter_m)
            / (viscosity::unchecked(temperature) * 1e-3)
    }

    /// The laws at one temperature: only powers of the flow are left.
    #[inline(always)]
    pub(crate) fn at<T: Number>(&self, temperature: T) -> ChannelAt<T> {
        let velocity = 1.0 / (3600.0 * self.cross_section_m2);
        let water = density::unchecked(temperature);
        let viscosity_pa_s = viscosity::unchecked(temperature) * 1e-3;
        let reynolds = self.reynolds_of_flow(temperature).ln();
        let diffusion = (temperature + ZERO_CELSIUS_K) / viscosity_pa_s
            * (DIFFUSION_25DEGC_M2_S * 1e-3 * viscosity::unchecked(25.0) / (25.0 + ZERO_CELSIUS_K));
        let schmidt = (viscosity_pa_s / (water * diffusion)).ln();
        // m/s to L/m2/h, and Pa to bar.
        let transfer = (reynolds * 0.875 + schmidt * 0.25).exp()
            * diffusion
            * (3.6e6 * 0.065 / self.hydraulic_diameter_m);
        let drop = (reynolds * -0.3).exp()
            * water
            * (1e-5 * 6.23 * self.length_m / self.hydraulic_diameter_m * velocity * velocity / 2.0);
        ChannelAt { transfer, drop }
    }
}

/// Lengths of an element, m.
pub(crate) const LENGTH_M: (f64, f64) = (0.05, 3.0);
/// Thicknesses of a feed spacer, m.
pub(crate) const SPACER_THICKNESS_M: (f64, f64) = (2e-4, 5e-3);

/// A channel at one temperature.
#[derive(Debug, Clone, Copy)]
pub(crate) struct ChannelAt<T> {
    transfer: T,
    drop: T,
}

impl<T: Number> ChannelAt<T> {
    /// L/m2/h, from the logarithm of the flow in m3/h.
    #[inline(always)]
    pub fn mass_transfer(&self, log_flow: T) -> T {
        (log_flow * 0.875).exp() * self.transfer
    }

    /// bar.
    #[inline(always)]
    pub fn pressure_drop(&self, log_flow: T) -> T {
        (log_flow * 1.7).exp() * self.drop
    }

    #[inline(always)]
    pub fn map<U: Number>(&self, of: impl Fn(&T) -> U) -> ChannelAt<U> {
        ChannelAt {
            transfer: of(&self.transfer),
            drop: of(&self.drop),
        }
    }
}
