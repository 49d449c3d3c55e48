//! One element: what passes the membrane where pressure, salt and flow are known at its inlet.
//!
//! Solution and diffusion: flux J = A · (P − ΔP/2 − Pp − π(Cm) + π(Cp)), salt flux J Cp = B · (Cm − Cp). The film at the membrane
//! raises the salt there: Cm − Cp = (C̄ − Cp) · exp(J/k). C̄ is the mean of the salt at inlet and outlet, k the mass
//! transfer coefficient and ΔP the spacer's pressure drop, both at the mean flow ([`channel`](super::channel)). Permeate
//! flow and salt leave the feed side exactly, so that both balances close. Source of the laws: any textbook of reverse
//! osmosis (solution-diffusion, film theory); the mean over an element is this model's own.

use super::channel::ChannelAt;
use crate::number::{Dual, Number, SideBySide};
use crate::water::osmotic::Salt;

/// What flows along the feed side, at one place.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Stream<T> {
    /// m3/h.
    pub flow: T,
    /// mg/L.
    pub tds: T,
    /// bar.
    pub pressure: T,
}

/// An element at one temperature.
pub(crate) struct ElementAt<S: Salt, T: Number> {
    pub channel: ChannelAt<T>,
    pub salt: S::At<T>,
    /// By how much its osmotic pressures are more.
    pub osmotic: T,
    pub area_m2: f64,
    /// Water permeability at this temperature, L/m2/h/bar.
    pub water_permeability: T,
    /// Salt permeability at this temperature, L/m2/h.
    pub salt_permeability: T,
    /// The spacer's pressure drop over that of a clean one.
    pub spacer_friction: T,
    /// bar.
    pub permeate_pressure: T,
}

impl<S: Salt, T: Number> Clone for ElementAt<S, T> {
    #[inline(always)]
    fn clone(&self) -> Self {
        *self
    }
}

impl<S: Salt, T: Number> Copy for ElementAt<S, T> {}

/// What an element does with a stream.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Through<T> {
    /// L/m2/h.
    pub flux: T,
    /// m3/h.
    pub permeate_flow: T,
    /// mg/L.
    pub permeate_tds: T,
    /// What leaves on the feed side.
    pub outflow: Stream<T>,
    /// Salt in the mean flow, mg/L.
    pub mean_tds: T,
    /// Salt at the membrane, mg/L.
    pub membrane_tds: T,
    /// Flux less what the driving pressure gives: zero where both agree.
    pub residual: T,
}

impl<S: Salt, T: Number> ElementAt<S, T> {
    /// What follows if the flux is this.
    #[inline(always)]
    pub fn through(&self, inflow: &Stream<T>, flux: T) -> Through<T> {
        let permeate_flow = flux * (self.area_m2 / 1000.0);
        let out = inflow.flow - permeate_flow;
        let log_flow = (inflow.flow - permeate_flow * 0.5).ln();
        let drop = self.channel.pressure_drop(log_flow) * self.spacer_friction;
        let film = (flux / self.channel.mass_transfer(log_flow)).exp();
        // J Cp = B film (C̄ − Cp): the permeate's share of the mean.
        let carried = film * self.salt_permeability;
        let share = carried / (flux + carried);
        // C̄ = (Cin + Cout)/2 with Qout Cout = Qin Cin − Qp Cp and Cp = share C̄.
        let mean = inflow.tds * (inflow.flow / out + 1.0) / (share * permeate_flow / out + 2.0);
        let permeate_tds = share * mean;
        let at_membrane = permeate_tds + (mean - permeate_tds) * film;
        let driving = inflow.pressure
            - drop * 0.5
            - self.permeate_pressure
            - (S::osmotic_pressure(&self.salt, at_membrane)
                - S::osmotic_pressure(&self.salt, permeate_tds))
                * self.osmotic;
        Through {
            flux,
            permeate_flow,
            permeate_tds,
            outflow: Stream {
                flow: out,
                tds: (inflow.flow * inflow.tds - permeate_flow * permeate_tds) / out,
                pressure: inflow.pressure - drop,
            },
            mean_tds: mean,
            membrane_tds: at_membrane,
            residual: flux - self.water_permeability * driving,
        }
    }

    #[inline(always)]
    pub fn map<U: Number>(&self, of: impl Fn(&T) -> U + Copy) -> ElementAt<S, U> {
        ElementAt {
            channel: self.channel.map(of),
            salt: S::map(&self.salt, of),
            osmotic: of(&self.osmotic),
            area_m2: self.area_m2,
            water_permeability: of(&self.water_permeability),
            salt_permeability: of(&self.salt_permeability),
            spacer_friction: of(&self.spacer_friction),
            permeate_pressure: of(&self.permeate_pressure),
        }
    }
}

impl<S: Salt> ElementAt<S, f64> {
    /// One step of Newton's method towards the flux that agrees with its driving pressure; and the residual's slope.
    ///
    /// The residual rises with the flux and its slope too, so that the method comes down on the root from above. A step out of
    /// what can be (no water, or all the water) goes half way to that bound.
    #[inline(always)]
    pub fn newton(&self, inflow: &Stream<f64>, flux: f64) -> (f64, f64) {
        let found = self
            .map(|figure| Dual::<1>::fixed(*figure))
            .through(
                &inflow.map(|figure| Dual::fixed(*figure)),
                Dual::variable(flux, 0),
            )
            .residual;
        let slope = found.slopes[0];
        let next = flux - found.value / slope;
        let most = inflow.flow * (1000.0 / self.area_m2);
        // All the water, and none.
        let next = (next - most).choose_below(0.0, next, (flux + most) * 0.5);
        let next = (-next).choose_below(0.0, next, flux * 0.5);
        (next, slope)
    }
}

impl<T: SideBySide> Through<T> {
    /// Nothing yet.
    #[inline(always)]
    pub fn nothing() -> Self {
        let none = T::constant(f64::NAN);
        Self {
            flux: none,
            permeate_flow: none,
            permeate_tds: none,
            outflow: Stream {
                flow: none,
                tds: none,
                pressure: none,
            },
            mean_tds: none,
            membrane_tds: none,
            residual: none,
        }
    }

    #[inline(always)]
    pub fn put(&mut self, i: usize, one: &Through<T::One>) {
        self.flux.put(i, one.flux);
        self.permeate_flow.put(i, one.permeate_flow);
        self.permeate_tds.put(i, one.permeate_tds);
        self.outflow.flow.put(i, one.outflow.flow);
        self.outflow.tds.put(i, one.outflow.tds);
        self.outflow.pressure.put(i, one.outflow.pressure);
        self.mean_tds.put(i, one.mean_tds);
        self.membrane_tds.put(i, one.membrane_tds);
        self.residual.put(i, one.residual);
    }
}

impl<T: Number> Stream<T> {
    #[inline(always)]
    pub fn map<U: Number>(&self, of: impl Fn(&T) -> U) -> Stream<U> {
        Stream {
            flow: of(&self.flow),
            tds: of(&self.tds),
            pressure: of(&self.pressure),
        }
    }
}
