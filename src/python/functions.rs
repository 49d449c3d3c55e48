//! The formulas, on scalars and arrays alike.

use numpy::{
    AllowTypeChange, PyArray1, PyArrayDyn, PyArrayLikeDyn, PyArrayMethods, PyUntypedArrayMethods,
};
use pyo3::prelude::*;
use pyo3::types::PyFloat;

use super::tables::law_of;
use crate::error::Error;
use crate::normalise;
use crate::units::{self, Unit};
use crate::water::{self, Basis, osmotic};

type Column<'py> = PyArrayLikeDyn<'py, f64, AllowTypeChange>;

/// Applies `of` to arguments that NumPy has broadcast to one shape; a float where all were scalars.
fn map<'py, const N: usize>(
    py: Python<'py>,
    arguments: [&Bound<'py, PyAny>; N],
    of: impl Fn([f64; N]) -> Result<f64, Error> + Send + Sync,
) -> PyResult<Bound<'py, PyAny>> {
    let numpy = py.import("numpy")?;
    let as_float = |argument: &Bound<'py, PyAny>| {
        let keywords = pyo3::types::PyDict::new(py);
        keywords.set_item("dtype", "float64")?;
        numpy.call_method("asarray", (argument,), Some(&keywords))
    };
    let arrays = arguments
        .iter()
        .map(|argument| as_float(argument))
        .collect::<PyResult<Vec<_>>>()?;
    let broadcast =
        numpy.call_method1("broadcast_arrays", pyo3::types::PyTuple::new(py, arrays)?)?;
    let columns = broadcast
        .try_iter()?
        .map(|array| array?.extract::<Column<'py>>())
        .collect::<PyResult<Vec<_>>>()?;
    let shape = columns
        .first()
        .map(|column| column.shape().to_vec())
        .unwrap_or_default();
    let values: Vec<Vec<f64>> = columns
        .iter()
        .map(|column| column.as_array().iter().copied().collect())
        .collect();
    let scalar = shape.is_empty();
    let found = py.detach(|| {
        let rows = values.first().map_or(0, Vec::len);
        (0..rows)
            .map(|row| {
                let at: [f64; N] = std::array::from_fn(|argument| values[argument][row]);
                of(at).map_err(|error| {
                    if scalar {
                        error
                    } else {
                        error.at_row(row as u64 + 1)
                    }
                })
            })
            .collect::<Result<Vec<f64>, Error>>()
    })?;
    if scalar {
        return Ok(PyFloat::new(py, found.first().copied().unwrap_or(f64::NAN)).into_any());
    }
    let array: Bound<'py, PyArrayDyn<f64>> = PyArray1::from_vec(py, found).reshape(shape)?;
    Ok(array.into_any())
}

/// Turns values from one unit to another of the same quantity.
///
/// value : array-like. Figures in `from_unit`
/// from_unit, to_unit : str. Unit words such as "gpm", "m3/h", "psi", "degF"
///
/// Returns: float or ndarray, in `to_unit`. Pressures are gauge; temperatures keep their offset.
/// Raises: UnitError where a unit is not known, or the two measure different things.
///
/// >>> round(convert(4000, "gpd", "gpm"), 2)
/// 2.78
#[pyfunction]
#[pyo3(signature = (value, from_unit, to_unit))]
fn convert<'py>(
    py: Python<'py>,
    value: &Bound<'py, PyAny>,
    from_unit: &str,
    to_unit: &str,
) -> PyResult<Bound<'py, PyAny>> {
    let from = Unit::parse(from_unit)?;
    let to = Unit::parse_as(to_unit, from.quantity)?;
    map(py, [value], |[value]| {
        Ok(to.from_canonical(from.to_canonical(value)))
    })
}

/// Every accepted unit word with the quantity it measures and its canonical unit.
///
/// Returns: list of (word, quantity, unit) where `unit` is how brinemark itself writes it.
///
/// >>> ("psig", "pressure", "psi") in unit_words()
/// True
#[pyfunction]
fn unit_words() -> Vec<(&'static str, &'static str, &'static str)> {
    units::Unit::spellings()
        .filter(|(word, _)| !word.is_empty())
        .map(|(word, unit)| (word, unit.quantity.name(), unit.word))
        .collect()
}

/// Viscosity of liquid water at 0.1 MPa.
///
/// μ/(μPa s) = 280.68 τ^−1.9 + 511.45 τ^−7.7 + 61.131 τ^−19.6 + 0.45903 τ^−40, τ = T/300 K
///
/// temperature_degc : array-like. Temperature [degC], −20 to 110
///
/// Returns: float or ndarray. Viscosity [mPa s]; NaN where the input is NaN.
/// Raises: RangeError, naming the first row and value outside the range.
/// Source: IAPWS SR6-08(2011), 0.1 MPa form of IAPWS R12-08 (coefficients from memory, checked to 5 digits against
/// two reference libraries over 5 to 35 degC).
///
/// >>> round(viscosity(25.0), 4)
/// 0.89
#[pyfunction]
fn viscosity<'py>(
    py: Python<'py>,
    temperature_degc: &Bound<'py, PyAny>,
) -> PyResult<Bound<'py, PyAny>> {
    map(py, [temperature_degc], |[t]| water::viscosity(t))
}

/// Density of air-free liquid water at 101.325 kPa.
///
/// temperature_degc : array-like. Temperature [degC], 0 to 150
///
/// Returns: float or ndarray. Density [kg/m3]; NaN where the input is NaN.
/// Raises: RangeError, naming the first row and value outside the range.
/// Source: G. S. Kell, J. Chem. Eng. Data 20 (1975) 97, eq. 16 (coefficients from memory; within 1e-5 of a reference
/// library over 5 to 35 degC).
///
/// >>> round(density(25.0), 1)
/// 997.0
#[pyfunction]
fn density<'py>(
    py: Python<'py>,
    temperature_degc: &Bound<'py, PyAny>,
) -> PyResult<Bound<'py, PyAny>> {
    map(py, [temperature_degc], |[t]| water::density(t))
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

/// Osmotic pressure of water with dissolved salt.
///
/// tds_mg_l : array-like. Dissolved salt [mg/L], 0 to 112 000
/// temperature_degc : array-like. Temperature [degC], 0 to 50
/// basis : str. "sodium-chloride": π = φ ν m R T ρ with Pitzer's osmotic coefficient; "tds-rule": 0.2654 C (T + 273.15)/
///     (1000 − C/1000) kPa, the form that goes with ASTM D4516 (from memory)
///
/// Returns: float or ndarray. Osmotic pressure [bar]; NaN where an input is NaN.
/// Raises: RangeError, naming the first row and value outside the range.
/// Accuracy: sodium chloride within 0.5 % of the handbook table (Geankoplis 1983) at 25 degC. Sea salt lies about 7 % below
/// sodium chloride of the same mg/L.
/// Source: Pitzer's equation with the parameters of the PHREEQC 3 file pitzer.dat (USGS).
///
/// >>> round(osmotic_pressure(2000.0, 25.0, basis="sodium-chloride"), 2)
/// 1.61
#[pyfunction]
#[pyo3(signature = (tds_mg_l, temperature_degc, *, basis))]
fn osmotic_pressure<'py>(
    py: Python<'py>,
    tds_mg_l: &Bound<'py, PyAny>,
    temperature_degc: &Bound<'py, PyAny>,
    basis: &str,
) -> PyResult<Bound<'py, PyAny>> {
    let found = Basis::NAMES
        .iter()
        .find(|(name, _)| *name == basis)
        .map(|(_, basis)| *basis);
    let Some(basis) = found else {
        let names: Vec<&str> = Basis::NAMES.iter().map(|(name, _)| *name).collect();
        let fault =
            crate::error::Fault::new("not a basis", format!("one of: {}", names.join(", ")));
        return Err(Error::Site(fault.at_column("basis").with_value(basis).into()).into());
    };
    map(py, [tds_mg_l, temperature_degc], |[tds, t]| {
        basis.osmotic_pressure(tds, t)
    })
}

/// Molality of a sodium chloride solution, from its salt per litre.
///
/// tds_mg_l : array-like. Sodium chloride [mg/L], 0 to 112 000
/// temperature_degc : array-like. Temperature [degC], 0 to 50
///
/// Returns: float or ndarray. Molality [mol/kg water].
/// Raises: RangeError, naming the first row and value outside the range.
/// Source: Masson's rule for the apparent molar volume, F. J. Millero, Chem. Rev. 71 (1971) 147 (constants from memory).
///
/// >>> round(sodium_chloride_molality(35000.0, 25.0), 3)
/// 0.607
#[pyfunction]
fn sodium_chloride_molality<'py>(
    py: Python<'py>,
    tds_mg_l: &Bound<'py, PyAny>,
    temperature_degc: &Bound<'py, PyAny>,
) -> PyResult<Bound<'py, PyAny>> {
    map(py, [tds_mg_l, temperature_degc], |[tds, t]| {
        osmotic::sodium_chloride_molality(tds, t)
    })
}

/// Osmotic coefficient of sodium chloride by Pitzer's equation.
///
/// molality : array-like. [mol/kg water], 0 to 6
/// temperature_degc : array-like. Temperature [degC], 0 to 50
///
/// Returns: float or ndarray. Osmotic coefficient [-].
/// Raises: RangeError, naming the first row and value outside the range.
/// Source: parameters of the PHREEQC 3 file pitzer.dat (USGS).
///
/// >>> round(sodium_chloride_osmotic_coefficient(1.0, 25.0), 3)
/// 0.936
#[pyfunction]
fn sodium_chloride_osmotic_coefficient<'py>(
    py: Python<'py>,
    molality: &Bound<'py, PyAny>,
    temperature_degc: &Bound<'py, PyAny>,
) -> PyResult<Bound<'py, PyAny>> {
    map(py, [molality, temperature_degc], |[m, t]| {
        osmotic::sodium_chloride_osmotic_coefficient(m, t)
    })
}

/// Osmotic pressure of sodium chloride, from its molality.
///
/// molality : array-like. [mol/kg water], 0 to 6
/// temperature_degc : array-like. Temperature [degC], 0 to 50
///
/// Returns: float or ndarray. Osmotic pressure [bar].
/// Raises: RangeError, naming the first row and value outside the range.
/// Source: π = φ ν m R T ρ of water, φ by Pitzer's equation with the parameters of the PHREEQC 3 file pitzer.dat (USGS).
///
/// >>> round(osmotic_pressure_of_molality(1.0, 25.0), 1)
/// 46.2
#[pyfunction]
fn osmotic_pressure_of_molality<'py>(
    py: Python<'py>,
    molality: &Bound<'py, PyAny>,
    temperature_degc: &Bound<'py, PyAny>,
) -> PyResult<Bound<'py, PyAny>> {
    map(py, [molality, temperature_degc], |[m, t]| {
        osmotic::osmotic_pressure_of_molality(m, t)
    })
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
    module.add_function(wrap_pyfunction!(convert, module)?)?;
    module.add_function(wrap_pyfunction!(unit_words, module)?)?;
    module.add_function(wrap_pyfunction!(viscosity, module)?)?;
    module.add_function(wrap_pyfunction!(density, module)?)?;
    module.add_function(wrap_pyfunction!(temperature_factor, module)?)?;
    module.add_function(wrap_pyfunction!(osmotic_pressure, module)?)?;
    module.add_function(wrap_pyfunction!(sodium_chloride_molality, module)?)?;
    module.add_function(wrap_pyfunction!(
        sodium_chloride_osmotic_coefficient,
        module
    )?)?;
    module.add_function(wrap_pyfunction!(osmotic_pressure_of_molality, module)?)?;
    module.add_function(wrap_pyfunction!(log_mean_factor, module)?)?;
    module.add_function(wrap_pyfunction!(membrane_inlet_tds, module)?)?;
    module.add_function(wrap_pyfunction!(net_driving_pressure, module)?)?;
    module.add_function(wrap_pyfunction!(normalised_permeate_flow, module)?)?;
    module.add_function(wrap_pyfunction!(normalised_salt_passage, module)?)?;
    module.add_function(wrap_pyfunction!(normalised_differential_pressure, module)?)?;
    module.add_function(wrap_pyfunction!(water_permeability, module)?)?;
    module.add_function(wrap_pyfunction!(salt_permeability, module)?)
}
