//! Scaling limits, from Python.

use std::collections::BTreeMap;

use pyo3::prelude::*;
use pyo3::types::PyDict;

use crate::error::Error;
use crate::water::scaling::{
    self, Acid, Limits, Method, RecoveryLimit, RecoveryLimits, SaltPassage, Saturation, ScaleIndex,
    Water,
};

/// One figure for all, or one for each name.
#[derive(FromPyObject)]
pub(super) enum Figures {
    Same(f64),
    Named(BTreeMap<String, f64>),
}

pub(super) fn passage(given: Figures) -> Result<SaltPassage, Error> {
    match given {
        Figures::Same(passage) => Ok(SaltPassage::all(passage)),
        Figures::Named(passages) => SaltPassage::from_names(passages),
    }
}

/// A name of a set of limits, or one limit for each scale.
#[derive(FromPyObject)]
enum LimitsGiven {
    Name(String),
    Named(BTreeMap<String, f64>),
}

/// None where a figure is missing or infinite, which JSON does not know.
pub(super) fn known(figure: f64) -> Option<f64> {
    figure.is_finite().then_some(figure)
}

/// A water analysis, from which saturation and recovery limits follow.
///
/// temperature_degc : float. Temperature [degC], 0 to 50
/// ph : float. At that temperature, 4 to 10
/// ions : dict of str to float. Contents [mg/L of the ion], 0 to 100 000: sodium, potassium, magnesium, calcium, barium,
///     strontium, chloride, sulfate, fluoride, nitrate, silica (as SiO2). What was not analysed is left out or NaN, and never
///     taken for 0 where a figure rests on it; what was looked for in vain is 0
/// alkalinity_mg_l : float. Total alkalinity [mg/L as CaCO3], 0 to 100 000; NaN if not analysed
/// tds_mg_l : float. Dissolved solids [mg/L], 0 to 100 000; NaN: the sum of the ions, where the main ones are known
///
/// Main ions are sodium, magnesium, calcium, chloride, sulfate and alkalinity. With all of them, charges more than 10 % apart
/// are refused (common practice, no source).
///
/// Raises: RangeError for a figure out of range; AnalysisError for a name that is not known, a content out of range, charges
/// that do not balance.
///
/// >>> ions = {"sodium": 120.0, "magnesium": 30.0, "calcium": 95.0, "chloride": 180.0, "sulfate": 160.0, "silica": 18.0}
/// >>> Water(temperature_degc=20.0, ph=7.6, ions=ions, alkalinity_mg_l=205.0)
/// Water(20.0 degC, pH 7.60, 853 mg/L, charges 0.6 % apart)
#[pyclass(name = "Water", frozen, module = "brinemark")]
pub(super) struct PyWater(pub(super) Water);

#[pymethods]
impl PyWater {
    #[new]
    #[pyo3(signature = (*, temperature_degc, ph, ions, alkalinity_mg_l, tds_mg_l = f64::NAN))]
    fn new(
        temperature_degc: f64,
        ph: f64,
        ions: BTreeMap<String, f64>,
        alkalinity_mg_l: f64,
        tds_mg_l: f64,
    ) -> PyResult<Self> {
        Ok(Self(Water::new(
            temperature_degc,
            ph,
            alkalinity_mg_l,
            tds_mg_l,
            ions,
        )?))
    }

    /// Temperature [degC].
    #[getter]
    fn temperature_degc(&self) -> f64 {
        self.0.temperature_degc
    }

    /// pH.
    #[getter]
    fn ph(&self) -> f64 {
        self.0.ph
    }

    /// Total alkalinity [mg/L as CaCO3]; NaN if not analysed.
    #[getter]
    fn alkalinity_mg_l(&self) -> f64 {
        self.0.alkalinity
    }

    /// Contents [mg/L], NaN where not analysed.
    #[getter]
    fn ions(&self) -> BTreeMap<&'static str, f64> {
        Water::IONS.into_iter().zip(self.0.ions).collect()
    }

    /// Dissolved solids [mg/L], as told or the sum of the ions with alkalinity as bicarbonate; NaN where neither can be.
    #[getter]
    fn tds_mg_l(&self) -> f64 {
        self.0.dissolved_solids()
    }

    /// Ionic strength [mol/L], ½ Σ m z²; TDS/40000 where a main ion was not analysed.
    #[getter]
    fn ionic_strength_mol_l(&self) -> f64 {
        self.0.ionic_strength()
    }

    /// Charges of cations, and of anions with alkalinity [meq/L]; what was not analysed counts as none.
    #[getter]
    fn charges_meq_l(&self) -> (f64, f64) {
        self.0.charges()
    }

    /// How far they are apart, as a share of their mean; NaN where a main ion was not analysed.
    #[getter]
    fn charges_apart(&self) -> f64 {
        self.0.charges_apart()
    }

    /// What of the analysis is worth knowing.
    #[getter]
    fn notes(&self) -> Vec<String> {
        self.0.notes()
    }

    /// The concentrate at a recovery: each content times (1 − Y SP)/(1 − Y), pH = pHf + log10(Alkc/Alkf).
    ///
    /// recovery : float. Permeate over feed, 0 to 0.99
    /// salt_passage : float or dict. Permeate over feed of each, 0 to 1: one for all, or by name (ions, "alkalinity", "tds"), those
    ///     not named 0. 0 is on the safe side
    ///
    /// Carbon dioxide passes the membranes, so that it stays as in the feed. Source: ASTM D3739.
    #[pyo3(signature = (recovery, *, salt_passage = Figures::Same(0.0)), text_signature = "($self, recovery, *, salt_passage=0.0)")]
    fn concentrate(&self, recovery: f64, salt_passage: Figures) -> PyResult<Self> {
        Ok(Self(self.0.concentrate(recovery, &passage(salt_passage)?)?))
    }

    /// The water behind a softener.
    ///
    /// share : float. Of calcium, magnesium, barium and strontium that it takes for sodium, by charges, 0 to 1
    fn softened(&self, share: f64) -> PyResult<Self> {
        Ok(Self(self.0.softened(share)?))
    }

    /// The water with acid in it.
    ///
    /// dose_mg_l : float. Pure acid [mg/L], from 0 to what leaves 2 % of the alkalinity and a pH of 4
    /// acid : str. "sulfuric" (H2SO4) or "hydrochloric" (HCl)
    ///
    /// Alkalinity falls by the acid's equivalents and becomes carbon dioxide; pH = pK1 + log10 of mol of alkalinity over mol of
    /// carbon dioxide (pK1 by phreeqc.dat, USGS). Acids burn and give off heat: dose as the manufacturers' instructions, local
    /// codes and licensed practice have it.
    #[pyo3(signature = (dose_mg_l, *, acid))]
    fn acidified(&self, dose_mg_l: f64, acid: &str) -> PyResult<Self> {
        Ok(Self(self.0.acidified(dose_mg_l, Acid::parse(acid)?)?))
    }

    /// All of it as plain values for JSON; a missing figure is None.
    pub(super) fn to_dict<'py>(&self, py: Python<'py>) -> PyResult<Bound<'py, PyDict>> {
        let dict = PyDict::new(py);
        let ions: BTreeMap<_, _> = self
            .ions()
            .into_iter()
            .map(|(k, v)| (k, known(v)))
            .collect();
        dict.set_item("temperature_degc", self.0.temperature_degc)?;
        dict.set_item("ph", self.0.ph)?;
        dict.set_item("alkalinity_mg_l", known(self.0.alkalinity))?;
        dict.set_item("ions", ions)?;
        dict.set_item("tds_mg_l", known(self.0.dissolved_solids()))?;
        dict.set_item("ionic_strength_mol_l", known(self.0.ionic_strength()))?;
        dict.set_item("charges_apart", known(self.0.charges_apart()))?;
        dict.set_item("notes", self.0.notes())?;
        Ok(dict)
    }

    fn __repr__(&self) -> String {
        let water = &self.0;
        let charges = match water.missing_main_ion() {
            Some(name) => format!("{name} not analysed"),
            None => format!("charges {:.1} % apart", 100.0 * water.charges_apart()),
        };
        format!(
            "Water({:.1} degC, pH {:.2}, {:.0} mg/L, {charges})",
            water.temperature_degc,
            water.ph,
            water.dissolved_solids()
        )
    }
}

/// How a scale stands in a water. Indices are log10 of saturation: 0 at saturation, 1 at ten times.
#[pyclass(name = "ScaleIndex", frozen, module = "brinemark")]
struct PyScaleIndex(ScaleIndex);

#[pymethods]
impl PyScaleIndex {
    /// "calcium carbonate", "calcium sulfate", "barium sulfate", "strontium sulfate", "calcium fluoride" or "silica".
    #[getter]
    fn scale(&self) -> &'static str {
        self.0.scale.name()
    }

    /// By the standard practice; −inf where the water has none of an ion, NaN where it can't be told.
    #[getter]
    fn standard_index(&self) -> f64 {
        self.0.standard_index
    }

    /// By activities with ion pairs, as PHREEQC has it; NaN where it can't be told.
    #[getter]
    fn activity_index(&self) -> f64 {
        self.0.activity_index
    }

    /// The practice behind `standard_index`.
    #[getter]
    fn scheme(&self) -> &'static str {
        self.0.scheme
    }

    /// Why a figure is missing; empty where none is.
    #[getter]
    fn clause(&self) -> &str {
        &self.0.clause
    }

    /// All of it as plain values for JSON; a missing figure is None.
    fn to_dict<'py>(&self, py: Python<'py>) -> PyResult<Bound<'py, PyDict>> {
        let dict = PyDict::new(py);
        dict.set_item("scale", self.0.scale.name())?;
        dict.set_item("standard_index", known(self.0.standard_index))?;
        dict.set_item("activity_index", known(self.0.activity_index))?;
        dict.set_item("scheme", self.0.scheme)?;
        dict.set_item("clause", &self.0.clause)?;
        Ok(dict)
    }

    fn __repr__(&self) -> String {
        let clause = if self.0.clause.is_empty() {
            String::new()
        } else {
            format!(", {}", self.0.clause)
        };
        format!(
            "ScaleIndex({}: {:.2} by the standard, {:.2} by activities{clause})",
            self.0.scale.name(),
            self.0.standard_index,
            self.0.activity_index
        )
    }
}

/// A concentrate, and how the scales stand in it.
#[pyclass(name = "Saturation", frozen, module = "brinemark")]
pub(super) struct PySaturation(pub(super) Saturation);

#[pymethods]
impl PySaturation {
    /// Permeate over feed.
    #[getter]
    fn recovery(&self) -> f64 {
        self.0.recovery
    }

    /// The concentrate.
    #[getter]
    fn concentrate(&self) -> PyWater {
        PyWater(self.0.concentrate)
    }

    /// How each scale stands.
    #[getter]
    fn scales(&self) -> Vec<PyScaleIndex> {
        self.0.scales.iter().cloned().map(PyScaleIndex).collect()
    }

    /// What of the analysis is worth knowing.
    #[getter]
    fn notes(&self) -> Vec<String> {
        self.0.notes.clone()
    }

    /// All of it as plain values for JSON; a missing figure is None.
    fn to_dict<'py>(&self, py: Python<'py>) -> PyResult<Bound<'py, PyDict>> {
        let dict = PyDict::new(py);
        let scales = self.scales();
        let scales: Vec<_> = scales
            .iter()
            .map(|one| one.to_dict(py))
            .collect::<PyResult<_>>()?;
        dict.set_item("recovery", self.0.recovery)?;
        dict.set_item("concentrate", self.concentrate().to_dict(py)?)?;
        dict.set_item("scales", scales)?;
        dict.set_item("notes", &self.0.notes)?;
        Ok(dict)
    }

    fn __repr__(&self) -> String {
        let scales: Vec<_> = self
            .0
            .scales
            .iter()
            .filter(|one| !one.standard_index.is_nan())
            .map(|one| format!("{} {:.2}", one.scale.name(), one.standard_index))
            .collect();
        format!(
            "Saturation(recovery {:.1} %: {})",
            100.0 * self.0.recovery,
            scales.join(", ")
        )
    }
}

/// The highest recovery a scale allows.
#[pyclass(name = "RecoveryLimit", frozen, module = "brinemark")]
struct PyRecoveryLimit(RecoveryLimit);

#[pymethods]
impl PyRecoveryLimit {
    /// Which scale.
    #[getter]
    fn scale(&self) -> &'static str {
        self.0.scale.name()
    }

    /// Permeate over feed; 0 where the feed itself is beyond the limit, NaN where there is none (`clause` says why).
    #[getter]
    fn recovery(&self) -> f64 {
        self.0.recovery
    }

    /// log10 of the saturation it may reach.
    #[getter]
    fn limit_index(&self) -> f64 {
        self.0.limit.index
    }

    /// Where that comes from.
    #[getter]
    fn basis(&self) -> &'static str {
        self.0.limit.basis
    }

    /// Why there is no recovery, or it is 0; empty otherwise.
    #[getter]
    fn clause(&self) -> &str {
        &self.0.clause
    }

    /// All of it as plain values for JSON; a missing figure is None.
    fn to_dict<'py>(&self, py: Python<'py>) -> PyResult<Bound<'py, PyDict>> {
        let dict = PyDict::new(py);
        dict.set_item("scale", self.0.scale.name())?;
        dict.set_item("recovery", known(self.0.recovery))?;
        dict.set_item("limit_index", self.0.limit.index)?;
        dict.set_item("basis", self.0.limit.basis)?;
        dict.set_item("clause", &self.0.clause)?;
        Ok(dict)
    }

    fn __repr__(&self) -> String {
        let name = self.0.scale.name();
        if self.0.recovery.is_nan() {
            return format!("RecoveryLimit({name}: {})", self.0.clause);
        }
        format!(
            "RecoveryLimit({name}: {:.1} %, {})",
            100.0 * self.0.recovery,
            self.0.limit.basis
        )
    }
}

/// The highest recoveries all scales allow, and which one binds.
#[pyclass(name = "RecoveryLimits", frozen, module = "brinemark")]
pub(super) struct PyRecoveryLimits(pub(super) RecoveryLimits);

#[pymethods]
impl PyRecoveryLimits {
    /// Of each scale.
    #[getter]
    fn limits(&self) -> Vec<PyRecoveryLimit> {
        self.0.limits.iter().cloned().map(PyRecoveryLimit).collect()
    }

    /// That of the scale that allows the least; None where none limits.
    #[getter]
    fn binding(&self) -> Option<PyRecoveryLimit> {
        self.0.binding().cloned().map(PyRecoveryLimit)
    }

    /// What of the analysis is worth knowing.
    #[getter]
    fn notes(&self) -> Vec<String> {
        self.0.notes.clone()
    }

    /// The result in a sentence.
    #[getter]
    fn sentence(&self) -> String {
        self.0.sentence()
    }

    /// All of it as plain values for JSON; a missing figure is None.
    fn to_dict<'py>(&self, py: Python<'py>) -> PyResult<Bound<'py, PyDict>> {
        let dict = PyDict::new(py);
        let limits = self.limits();
        let limits: Vec<_> = limits
            .iter()
            .map(|one| one.to_dict(py))
            .collect::<PyResult<_>>()?;
        dict.set_item("binding", self.0.binding().map(|one| one.scale.name()))?;
        dict.set_item("limits", limits)?;
        dict.set_item("sentence", self.0.sentence())?;
        dict.set_item("notes", &self.0.notes)?;
        Ok(dict)
    }

    fn __repr__(&self) -> String {
        format!("RecoveryLimits({})", self.0.sentence())
    }
}

/// How the scales stand in the concentrate at a recovery.
///
/// Calcium carbonate: pH − pHs, pHs = pK2 − pKs + pCa + pAlk + 5 pf up to 10 000 mg/L of the concentrate (Langelier), pHs = pCa +
/// pAlk + K(I, T) above (Stiff and Davis). Sulfates and fluoride: log10 of IP/Ksp at the ionic strength, all ions free. Silica:
/// log10 of content over what dissolves at the temperature and pH. Beside each, log10 of IAP/Ksp by activities with ion pairs
///
/// water : Water. The feed
/// recovery : float. Permeate over feed, 0 to 0.99; 0 is the water itself
/// salt_passage : float or dict. Permeate over feed of each, 0 to 1: one for all, or by name (ions, "alkalinity", "tds"), those
///     not named 0. 0 is on the safe side
///
/// Returns: Saturation. Indices [log10 of saturation]; NaN with a clause where an ion was not analysed, or the ionic strength is
/// above 1.2 mol/L. Polarisation at the membrane's surface is not in them.
/// Raises: RangeError for a recovery or passage out of range; AnalysisError for an alkalinity that can't be at this pH.
/// Accuracy: activity indices within 0.005 of PHREEQC (phreeqc.dat) on 56 waters of 5 to 35 degC and up to 10 000 mg/L (0.05 is
/// what the tests allow, of barite 0.15). The standards' indices ignore ion pairs: on the same waters they lie above PHREEQC's,
/// of calcium carbonate by up to 0.65, of sulfates and fluoride by up to 0.56; of silica within 0.04.
/// Source: ASTM D3739 (scheme of pHs as Standard Methods 2330, from memory), D4582 (K by a fit to the chart, from memory), D4692,
/// D4993; constants of PHREEQC 3's phreeqc.dat (USGS) in place of the standards' charts.
///
/// >>> ions = {"sodium": 120.0, "magnesium": 30.0, "calcium": 95.0, "chloride": 180.0, "sulfate": 160.0, "silica": 18.0}
/// >>> water = Water(temperature_degc=20.0, ph=7.6, ions=ions, alkalinity_mg_l=205.0)
/// >>> saturation(water, 0.75).scales[2]
/// ScaleIndex(barium sulfate: NaN by the standard, NaN by activities, barium not analysed)
#[pyfunction]
#[pyo3(signature = (water, recovery, *, salt_passage = Figures::Same(0.0)), text_signature = "(water, recovery, *, salt_passage=0.0)")]
fn saturation(
    py: Python<'_>,
    water: &PyWater,
    recovery: f64,
    salt_passage: Figures,
) -> PyResult<PySaturation> {
    let passage = passage(salt_passage)?;
    let found = py.detach(|| scaling::saturation(&water.0, recovery, &passage))?;
    Ok(PySaturation(found))
}

/// The highest recovery that each scale allows, and which one binds.
///
/// The first recovery, from 0 on, at which index(concentrate) = limit
///
/// water : Water. The feed, as it comes to the membranes: `softened` and `acidified` tell of treatment
/// salt_passage : float or dict. Permeate over feed of each, 0 to 1, as of `saturation`
/// limits : str or dict. "untreated": saturation, of sulfates 0.8 of it (ASTM D4692, from memory); "antiscalant": a conservative
///     default with an antiscalant nothing is known of (common practice, no source): index 1.8 of calcium carbonate, 2.3 times
///     saturation of calcium, 8 of strontium, 60 of barium sulfate, fluoride and silica at saturation; or your antiscalant's
///     own, by scale: the index of "calcium carbonate" (−2 to 4), how many times saturation (0.01 to 1000) of "calcium sulfate",
///     "barium sulfate", "strontium sulfate", "calcium fluoride", "silica", those not named as untreated
/// method : str. "standard": the standard practices' indices are held to the limits; "activity": those with ion pairs
///
/// Returns: RecoveryLimits. Recoveries [1] to 1e-10, 0 to 0.99; NaN with a clause where an ion was not analysed or the limit is not
/// reached.
/// Raises: RangeError for a passage or limit out of range; AnalysisError for a name that is not known, and as `saturation`.
/// Source: as `saturation`. An antiscalant's limit is its maker's to tell; none is invented here.
///
/// >>> ions = {"sodium": 120.0, "magnesium": 30.0, "calcium": 95.0, "chloride": 180.0, "sulfate": 160.0, "silica": 18.0}
/// >>> water = Water(temperature_degc=20.0, ph=7.0, ions=ions, alkalinity_mg_l=205.0)
/// >>> recovery_limits(water, limits={"calcium carbonate": 1.5}).binding.scale
/// 'calcium carbonate'
#[pyfunction]
#[pyo3(
    signature = (water, *, salt_passage = Figures::Same(0.0), limits = LimitsGiven::Name("untreated".to_owned()), method = "standard"),
    text_signature = "(water, *, salt_passage=0.0, limits=\"untreated\", method=\"standard\")"
)]
fn recovery_limits(
    py: Python<'_>,
    water: &PyWater,
    salt_passage: Figures,
    limits: LimitsGiven,
    method: &str,
) -> PyResult<PyRecoveryLimits> {
    let passage = passage(salt_passage)?;
    let limits = match limits {
        LimitsGiven::Name(name) => Limits::parse(&name)?,
        LimitsGiven::Named(limits) => Limits::from_names(limits)?,
    };
    let method = Method::parse(method)?;
    let found = py.detach(|| scaling::recovery_limits(&water.0, &passage, &limits, method))?;
    Ok(PyRecoveryLimits(found))
}

pub(super) fn register(module: &Bound<'_, PyModule>) -> PyResult<()> {
    module.add_class::<PyWater>()?;
    module.add_class::<PyScaleIndex>()?;
    module.add_class::<PySaturation>()?;
    module.add_class::<PyRecoveryLimit>()?;
    module.add_class::<PyRecoveryLimits>()?;
    module.add_function(wrap_pyfunction!(saturation, module)?)?;
    module.add_function(wrap_pyfunction!(recovery_limits, module)?)
}
