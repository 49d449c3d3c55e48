//! The membrane of an element's data sheet.

use super::channel::Channel;
use super::infer::Seen;
use super::train::{Inlet, Membrane, Train};
use crate::error::{Error, Fault, Faults};
use crate::site::{Site, Stage};
use crate::water::osmotic::Basis;

impl Membrane {
    /// The membrane that gives the rated permeate flow and rejection at the rating's test conditions.
    ///
    /// One element by itself, with a clean spacer, no permeate pressure, and sodium chloride, as data sheets test (common
    /// practice, no source), whatever the site's own basis.
    ///
    /// # Errors
    /// [`Error::Site`] names each key of the rating that is missing, or says that no membrane gives it.
    ///
    /// ```
    /// use brinemark::{Site, membrane::train::Membrane, site::TEMPLATE};
    /// let site = Site::parse(&TEMPLATE
    ///     .replace("# length", "length").replace("# feed_spacer", "feed_spacer")
    ///     .replace("# rated_", "rated_").replace("# test_", "test_"))?;
    /// let membrane = Membrane::rated(&site)?;
    /// assert!((3.0..6.0).contains(&membrane.water_permeability));
    /// # Ok::<(), brinemark::Error>(())
    /// ```
    pub fn rated(site: &Site) -> Result<Self, Error> {
        let element = &site.element;
        let mut faults = Faults::default();
        let mut need = |key: &str, value: Option<f64>, example: &str| {
            if value.is_none() {
                faults.push(
                    Fault::new(
                        "missing; the element's rating needs it",
                        format!("add {key} = {example}, from the element's data sheet"),
                    )
                    .at_column(format!("[element] {key}")),
                );
            }
            value.unwrap_or(f64::NAN)
        };
        let length = need("length", element.length_m, "\"1.016 m\"");
        let spacer = need(
            "feed_spacer_thickness",
            element.feed_spacer_thickness_m,
            "\"0.79 mm\"",
        );
        let flow = need(
            "rated_permeate_flow",
            element.rated_permeate_flow_m3_h,
            "\"42 m3/d\"",
        );
        let rejection = need("rated_rejection", element.rated_rejection, "\"99.5 %\"");
        let pressure = need("test_pressure", element.test_pressure_bar, "\"15.5 bar\"");
        let temperature = need(
            "test_temperature",
            element.test_temperature_degc,
            "\"25 degC\"",
        );
        let tds = need("test_feed_tds", element.test_feed_tds_mg_l, "\"2000 mg/L\"");
        let recovery = need("test_recovery", element.test_recovery, "\"15 %\"");
        faults.into_result(Error::Site)?;
        let train = Train {
            channel: Channel::new(element.area_m2, length, spacer)?,
            area_m2: element.area_m2,
            stages: vec![Stage {
                vessels: 1,
                elements_per_vessel: 1,
            }],
            law: site.temperature.clone(),
            salt_law: site.salt_law().clone(),
            basis: Basis::SodiumChloride,
        };
        train.check(temperature, tds)?;
        let inlet_flow = flow / recovery;
        let inlet = Inlet {
            temperature,
            pressure,
            flow: inlet_flow,
            tds,
            permeate_pressure: 0.0,
        };
        // Of a clean spacer: the mean flow is known.
        let drop = train
            .channel
            .pressure_drop(inlet_flow - 0.5 * flow, temperature)?;
        let seen = Seen {
            permeate_flow: flow,
            permeate_tds: (1.0 - rejection) * tds,
            differential_pressure: drop,
        };
        if let Some(membrane) = train.membrane_behind(&inlet, &seen) {
            return Ok(Self {
                spacer_friction: 1.0,
                ..membrane
            });
        }
        Err(Error::Site(
            Fault::new(
                "no membrane gives this flow and rejection at these test conditions",
                "check the rating against the data sheet: pressure, flow, salt and their units",
            )
            .at_column("[element]")
            .into(),
        ))
    }
}
