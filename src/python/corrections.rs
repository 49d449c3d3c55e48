//! The equations of the normalisation, from Python.

use pyo3::prelude::*;

use super::functions::map;
use crate::error::Error;
use crate::normalise;
use crate::normalise::temperature::{Law, LawSettings};

/// The law that a call names.
fn law_of(
    law: &str,
    base: Option<f64>,
    constant_k: Option<f64>,
    constant_below_25degc_k: Option<f64>,
    table: Option<Vec<(f64, f64)>>,
) -> Result<Law, Error> {
    let settings = LawSettings {
        base,
        constant_k,
        constant_below_25degc_k,
        table,
    };
    Law::from_settings(law, settings).map_err(|fault| Error::Site(fault.into()))
}

/// Temperature factor: how much more a membrane passes at T than at 25 degC, all else alike.
///
/// temperature_degc : array-like. Feed temperature [degC], 0 to 50, or the span of the table
/// law : str. "standard-practice": base^(T − 25). "arrhenius": exp[K (1/298.15 − 1/T)], T in K. "viscosity": viscosity of
///     water at 25 degC over that at T. "table": straight lines between the points of `table`
/// base : float. For "standard-practice"; 1.03 where not given (default factor of ASTM D4516, from memory)
/// constant_k : float. For "arrhenius": K [K], from the maker's data sheet
/// constant_below_25degc_k : float. For "arrhenius": K below 25 degC, where it is another [K]
/// table : list of (temperature [degC], factor). For "table"
///
/// Returns: float or ndarray. Factor [-], 1 at 25 degC; NaN where the input is NaN.
/// Raises: RangeError outside the range; SiteError for a law that is not known or a setting that is not its own.
/// Notes: the published laws differ by 21 % at 5 degC: choose one and keep to it.
/// Source: ASTM D4516 (from memory) for the first; IAPWS R12-08 for the viscosity.
///
/// >>> round(temperature_factor(12.0, law="standard-practice"), 6)
/// 0.680951
#[pyfunction]
#[pyo3(signature = (temperature_degc, *, law, base=None, constant_k=None, constant_below_25degc_k=None, table=None))]
fn temperature_factor<'py>(
    py: Python<'py>,
    temperature_degc: &Bound<'py, PyAny>,
    law: &str,
    base: Option<f64>,
    constant_k: Option<f64>,
    constant_below_25degc_k: Option<f64>,
    table: Option<Vec<(f64, f64)>>,
) -> PyResult<Bound<'py, PyAny>> {
    let law = law_of(law, base, constant_k, constant_below_25degc_k, table)?;
    map(py, [temperature_degc], |[t]| law.factor(t))
}

/// Log-mean concentration along the feed side over that of the inlet: ln[1/(1 − Y)]/Y.
///
/// recovery : array-like. Y, permeate flow over inlet flow [-], 0 to below 1; 1 + Y/2 + Y²/3 below 1e-4
///
/// Returns: float or ndarray. Factor [-].
/// Raises: RangeError, naming the first row and value outside the range.
/// Source: ASTM D4516 (from memory), spiral elements.
///
/// >>> round(log_mean_factor(0.75), 6)
/// 1.848392
#[pyfunction]
fn log_mean_factor<'py>(
    py: Python<'py>,
    recovery: &Bound<'py, PyAny>,
) -> PyResult<Bound<'py, PyAny>> {
    map(py, [recovery], |[recovery]| {
        normalise::log_mean_factor(recovery)
    })
}

/// Salt at the membranes' inlet, where concentrate returns ahead of them.
///
/// Cin = [Qf Cf (Qin − Qp) − Qr Qp Cp]/[Qin (Qf − Qp)], Qin = Qf + Qr; without recycle Cin = Cf
///
/// feed_flow, recycle_flow, permeate_flow : array-like. Qf, Qr, Qp (any one unit), Qp below Qf
/// feed_tds, permeate_tds : array-like. Cf, Cp (any one unit)
///
/// Returns: float or ndarray, in the unit of the concentrations; NaN where an input is NaN.
/// Source: salt balances over the mixing point and the membranes (own algebra, checked against an independent calculation).
///
/// >>> round(membrane_inlet_tds(feed_flow=10, recycle_flow=10, permeate_flow=7.5, feed_tds=500, permeate_tds=24.2718), 1)
/// 1213.6
#[pyfunction]
#[pyo3(signature = (*, feed_flow, recycle_flow, permeate_flow, feed_tds, permeate_tds))]
fn membrane_inlet_tds<'py>(
    py: Python<'py>,
    feed_flow: &Bound<'py, PyAny>,
    recycle_flow: &Bound<'py, PyAny>,
    permeate_flow: &Bound<'py, PyAny>,
    feed_tds: &Bound<'py, PyAny>,
    permeate_tds: &Bound<'py, PyAny>,
) -> PyResult<Bound<'py, PyAny>> {
    let arguments = [
        feed_flow,
        recycle_flow,
        permeate_flow,
        feed_tds,
        permeate_tds,
    ];
    map(
        py,
        arguments,
        |[feed, recycle, permeate, tds, permeate_tds]| {
            Ok(crate::membrane::recycle::inlet(feed, recycle, permeate, tds, permeate_tds).tds)
        },
    )
}

/// Net driving pressure: Pf − ΔP/2 − Pp − (π fb − π p).
///
/// feed_pressure_bar : array-like. Gauge pressure at the membranes' inlet, Pf [bar]
/// differential_pressure_bar : array-like. Feed less concentrate pressure, ΔP [bar]
/// permeate_pressure_bar : array-like. Gauge pressure of the permeate, Pp [bar]
/// mean_feed_osmotic_pressure_bar : array-like. Of the log-mean feed-brine concentration, π fb [bar]
/// permeate_osmotic_pressure_bar : array-like. π p [bar]
///
/// Returns: float or ndarray [bar]; NaN where an input is NaN. Below zero where nothing drives permeate.
/// Source: ASTM D4516, permeate flow equation, the bracketed term.
///
/// >>> round(net_driving_pressure(feed_pressure_bar=12.5, differential_pressure_bar=1.8, permeate_pressure_bar=0.5,
/// ...     mean_feed_osmotic_pressure_bar=2.936, permeate_osmotic_pressure_bar=0.024), 3)
/// 8.188
#[pyfunction]
#[pyo3(signature = (*, feed_pressure_bar, differential_pressure_bar, permeate_pressure_bar, mean_feed_osmotic_pressure_bar, permeate_osmotic_pressure_bar))]
fn net_driving_pressure<'py>(
    py: Python<'py>,
    feed_pressure_bar: &Bound<'py, PyAny>,
    differential_pressure_bar: &Bound<'py, PyAny>,
    permeate_pressure_bar: &Bound<'py, PyAny>,
    mean_feed_osmotic_pressure_bar: &Bound<'py, PyAny>,
    permeate_osmotic_pressure_bar: &Bound<'py, PyAny>,
) -> PyResult<Bound<'py, PyAny>> {
    let arguments = [
        feed_pressure_bar,
        differential_pressure_bar,
        permeate_pressure_bar,
        mean_feed_osmotic_pressure_bar,
        permeate_osmotic_pressure_bar,
    ];
    map(
        py,
        arguments,
        |[feed, drop, permeate, mean_feed, osmotic]| {
            Ok(normalise::net_driving_pressure(
                feed, drop, permeate, mean_feed, osmotic,
            ))
        },
    )
}

/// Permeate flow at reference conditions: Qp · (NDPs · TCFs)/(NDPa · TCFa).
///
/// permeate_flow_m3_h : array-like. Qp [m3/h]
/// net_driving_pressure_bar, reference_net_driving_pressure_bar : array-like. NDP [bar], actual and reference
/// temperature_factor, reference_temperature_factor : array-like. TCF [-], actual and reference
///
/// Returns: float or ndarray [m3/h]; NaN where an input is NaN.
/// Source: ASTM D4516, permeate flow equation.
///
/// >>> round(normalised_permeate_flow(45.0, net_driving_pressure_bar=11.1878, temperature_factor=0.680951,
/// ...     reference_net_driving_pressure_bar=8.18766, reference_temperature_factor=1.0), 3)
/// 48.363
#[pyfunction]
#[pyo3(signature = (permeate_flow_m3_h, *, net_driving_pressure_bar, temperature_factor, reference_net_driving_pressure_bar, reference_temperature_factor))]
fn normalised_permeate_flow<'py>(
    py: Python<'py>,
    permeate_flow_m3_h: &Bound<'py, PyAny>,
    net_driving_pressure_bar: &Bound<'py, PyAny>,
    temperature_factor: &Bound<'py, PyAny>,
    reference_net_driving_pressure_bar: &Bound<'py, PyAny>,
    reference_temperature_factor: &Bound<'py, PyAny>,
) -> PyResult<Bound<'py, PyAny>> {
    let arguments = [
        permeate_flow_m3_h,
        net_driving_pressure_bar,
        temperature_factor,
        reference_net_driving_pressure_bar,
        reference_temperature_factor,
    ];
    map(
        py,
        arguments,
        |[flow, ndp, factor, reference_ndp, reference_factor]| {
            Ok(normalise::normalised_permeate_flow(
                flow,
                ndp,
                factor,
                reference_ndp,
                reference_factor,
            ))
        },
    )
}

/// Salt passage at reference conditions: SPa · (EPFa/EPFs)·(STCFs/STCFa)·(Cfbs/Cfba)·(Cfa/Cfs).
///
/// salt_passage : array-like. SPa, permeate over inlet concentration [-]
/// element_flow, reference_element_flow : array-like. Mean permeate flow of an element, EPF (any one unit). Two readings
///     of the standard are in use: the reference's fixed element flow, so that the result follows the salt
///     permeability alone; or the normalised element flow, so that fouling raises it too
/// salt_temperature_factor, reference_salt_temperature_factor : array-like. STCF [-]
/// mean_feed_tds, reference_mean_feed_tds : array-like. Log-mean feed-side concentration, Cfb (any one unit)
/// feed_tds, reference_feed_tds : array-like. Inlet concentration, Cf (the same unit)
///
/// Returns: float or ndarray [-]; NaN where an input is NaN.
/// Source: ASTM D4516, salt passage equation (from memory).
///
/// >>> round(normalised_salt_passage(0.011304, element_flow=45, reference_element_flow=50,
/// ...     salt_temperature_factor=0.680951, reference_salt_temperature_factor=1.0, mean_feed_tds=4186.851,
/// ...     reference_mean_feed_tds=3696.785, feed_tds=2300, reference_feed_tds=2000), 4)
/// 0.0152
#[pyfunction]
#[pyo3(signature = (salt_passage, *, element_flow, reference_element_flow, salt_temperature_factor, reference_salt_temperature_factor, mean_feed_tds, reference_mean_feed_tds, feed_tds, reference_feed_tds))]
#[allow(clippy::too_many_arguments)] // the standard's own terms, each by name
fn normalised_salt_passage<'py>(
    py: Python<'py>,
    salt_passage: &Bound<'py, PyAny>,
    element_flow: &Bound<'py, PyAny>,
    reference_element_flow: &Bound<'py, PyAny>,
    salt_temperature_factor: &Bound<'py, PyAny>,
    reference_salt_temperature_factor: &Bound<'py, PyAny>,
    mean_feed_tds: &Bound<'py, PyAny>,
    reference_mean_feed_tds: &Bound<'py, PyAny>,
    feed_tds: &Bound<'py, PyAny>,
    reference_feed_tds: &Bound<'py, PyAny>,
) -> PyResult<Bound<'py, PyAny>> {
    let arguments = [
        salt_passage,
        element_flow,
        salt_temperature_factor,
        mean_feed_tds,
        feed_tds,
        reference_element_flow,
        reference_salt_temperature_factor,
        reference_mean_feed_tds,
        reference_feed_tds,
    ];
    let conditions = |element_flow, salt_temperature_factor, mean_feed_tds, feed_tds| {
        normalise::SaltConditions {
            element_flow,
            salt_temperature_factor,
            mean_feed_tds,
            feed_tds,
        }
    };
    map(py, arguments, |[passage, a, b, c, d, e, f, g, h]| {
        Ok(normalise::normalised_salt_passage(
            passage,
            &conditions(a, b, c, d),
            &conditions(e, f, g, h),
        ))
    })
}

/// Differential pressure at reference flow and temperature: ΔP · (Q̄s/Q̄a)^m · (μs/μa)^p.
///
/// differential_pressure_bar : array-like. ΔP, feed less concentrate pressure [bar]
/// mean_flow_m3_h, reference_mean_flow_m3_h : array-like. Mean of inlet and outlet flow of the feed side, Q̄ [m3/h]
/// temperature_degc, reference_temperature_degc : array-like. [degC], −20 to 110
/// flow_exponent : float. m
/// viscosity_power : float. p
///
/// Returns: float or ndarray [bar]; NaN where an input is NaN.
/// Raises: RangeError, naming the first row and value outside the range.
/// Source: spacer friction 6.23 Re^−0.3, Schock and Miquel, Desalination 64 (1987) 339 (coefficients from memory). Not part of ASTM D4516.
///
/// >>> round(normalised_differential_pressure(1.0, mean_flow_m3_h=10, reference_mean_flow_m3_h=10, temperature_degc=10,
/// ...     reference_temperature_degc=25), 3)
/// 0.891
#[pyfunction]
#[pyo3(signature = (differential_pressure_bar, *, mean_flow_m3_h, reference_mean_flow_m3_h, temperature_degc, reference_temperature_degc, flow_exponent=1.7, viscosity_power=0.3))]
#[allow(clippy::too_many_arguments)] // the equation's own terms, each by name
fn normalised_differential_pressure<'py>(
    py: Python<'py>,
    differential_pressure_bar: &Bound<'py, PyAny>,
    mean_flow_m3_h: &Bound<'py, PyAny>,
    reference_mean_flow_m3_h: &Bound<'py, PyAny>,
    temperature_degc: &Bound<'py, PyAny>,
    reference_temperature_degc: &Bound<'py, PyAny>,
    flow_exponent: f64,
    viscosity_power: f64,
) -> PyResult<Bound<'py, PyAny>> {
    let arguments = [
        differential_pressure_bar,
        mean_flow_m3_h,
        reference_mean_flow_m3_h,
        temperature_degc,
        reference_temperature_degc,
    ];
    map(
        py,
        arguments,
        |[drop, flow, reference_flow, t, reference_t]| {
            normalise::normalised_differential_pressure(
                drop,
                flow,
                reference_flow,
                t,
                reference_t,
                flow_exponent,
                viscosity_power,
            )
        },
    )
}

/// Water permeability at 25 degC: 1000 Qp/(area · NDP · TCF).
///
/// permeate_flow_m3_h : array-like. Qp [m3/h]
/// area_m2 : array-like. Membrane area of all elements [m2]
/// net_driving_pressure_bar : array-like. NDP [bar]
/// temperature_factor : array-like. TCF [-]
///
/// Returns: float or ndarray [L/m2/h/bar]; NaN where an input is NaN.
/// Source: the solution-diffusion law that underlies ASTM D4516.
///
/// >>> round(water_permeability(4.6, area_m2=200, net_driving_pressure_bar=8.0, temperature_factor=1.0), 3)
/// 2.875
#[pyfunction]
#[pyo3(signature = (permeate_flow_m3_h, *, area_m2, net_driving_pressure_bar, temperature_factor))]
fn water_permeability<'py>(
    py: Python<'py>,
    permeate_flow_m3_h: &Bound<'py, PyAny>,
    area_m2: &Bound<'py, PyAny>,
    net_driving_pressure_bar: &Bound<'py, PyAny>,
    temperature_factor: &Bound<'py, PyAny>,
) -> PyResult<Bound<'py, PyAny>> {
    let arguments = [
        permeate_flow_m3_h,
        area_m2,
        net_driving_pressure_bar,
        temperature_factor,
    ];
    map(py, arguments, |[flow, area, ndp, factor]| {
        Ok(normalise::water_permeability(flow, area, ndp, factor))
    })
}

/// Salt permeability at 25 degC: 1000 Qp Cp/(area · STCF · Cfb).
///
/// permeate_flow_m3_h : array-like. Qp [m3/h]
/// permeate_tds_mg_l, mean_feed_tds_mg_l : array-like. Cp, and the log-mean feed-side concentration Cfb [mg/L]
/// area_m2 : array-like. Membrane area of all elements [m2]
/// salt_temperature_factor : array-like. STCF [-]
///
/// Returns: float or ndarray [L/m2/h]; NaN where an input is NaN.
/// Source: the solution-diffusion law in the form that underlies ASTM D4516 (from memory), which neglects Cp beside Cfb.
///
/// >>> round(salt_permeability(4.6, permeate_tds_mg_l=15, mean_feed_tds_mg_l=1500, area_m2=200, salt_temperature_factor=1.0), 3)
/// 0.23
#[pyfunction]
#[pyo3(signature = (permeate_flow_m3_h, *, permeate_tds_mg_l, mean_feed_tds_mg_l, area_m2, salt_temperature_factor))]
fn salt_permeability<'py>(
    py: Python<'py>,
    permeate_flow_m3_h: &Bound<'py, PyAny>,
    permeate_tds_mg_l: &Bound<'py, PyAny>,
    mean_feed_tds_mg_l: &Bound<'py, PyAny>,
    area_m2: &Bound<'py, PyAny>,
    salt_temperature_factor: &Bound<'py, PyAny>,
) -> PyResult<Bound<'py, PyAny>> {
    let arguments = [
        permeate_flow_m3_h,
        permeate_tds_mg_l,
        mean_feed_tds_mg_l,
        area_m2,
        salt_temperature_factor,
    ];
    map(
        py,
        arguments,
        |[flow, permeate, mean_feed, area, factor]| {
            Ok(normalise::salt_permeability(
                flow, permeate, mean_feed, area, factor,
            ))
        },
    )
}

pub(super) fn register(module: &Bound<'_, PyModule>) -> PyResult<()> {
    module.add_function(wrap_pyfunction!(temperature_factor, module)?)?;
    module.add_function(wrap_pyfunction!(log_mean_factor, module)?)?;
    module.add_function(wrap_pyfunction!(membrane_inlet_tds, module)?)?;
    module.add_function(wrap_pyfunction!(net_driving_pressure, module)?)?;
    module.add_function(wrap_pyfunction!(normalised_permeate_flow, module)?)?;
    module.add_function(wrap_pyfunction!(normalised_salt_passage, module)?)?;
    module.add_function(wrap_pyfunction!(normalised_differential_pressure, module)?)?;
    module.add_function(wrap_pyfunction!(water_permeability, module)?)?;
    module.add_function(wrap_pyfunction!(salt_permeability, module)?)
}
