//! The words of the trade and what they mean; units as headers write them.

use std::collections::HashMap;
use std::sync::LazyLock;

use super::super::super::Column;
use crate::units::{Quantity, Unit};

/// What a column's name says before its quantity.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(in super::super) enum Stream {
    Feed,
    Permeate,
    Concentrate,
    Recycle,
    Differential,
}

impl Stream {
    /// The word for it in the name of a column.
    pub fn name(self) -> &'static str {
        match self {
            Self::Feed => "feed",
            Self::Permeate => "permeate",
            Self::Concentrate => "concentrate",
            Self::Recycle => "recycle",
            Self::Differential => "differential",
        }
    }

    /// The stream of a column, by its name.
    pub fn of(column: Column) -> Option<Self> {
        use Stream::{Concentrate, Differential, Feed, Permeate, Recycle};
        let (stream, _) = column.name().split_once('_')?;
        [Feed, Permeate, Concentrate, Recycle, Differential]
            .into_iter()
            .find(|known| known.name() == stream)
    }
}

/// What a word in a header means.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Meaning {
    Stream(Stream),
    Quantity(Quantity),
    /// The letters of an instrument's tag, or a symbol.
    Symbol(Quantity),
    Differential(f64),
    Time,
    Stage,
    Train,
    /// It measures something that is no column of a log.
    Foreign,
    /// It stands elsewhere than at the membranes, or is no reading.
    Elsewhere,
    /// It says nothing of what is measured.
    Filler,
}

use Meaning::{Elsewhere, Filler, Foreign, Symbol};
use Quantity::{Acidity, Concentration, Conductivity, Flow, Pressure, Switch, Temperature};

/// Words of the trade in English, German, Spanish and French, and how surely each is meant so: 1 where it means nothing
/// else, 0.7 where it usually does, less where it may. Letters of instruments' tags follow ISA-5.1 (from memory), the
/// rest is common practice, no source.
const WORDS: &[(Meaning, f64, &str)] = &[
    (
        Meaning::Stream(Stream::Feed),
        1.0,
        "feed feedwater speisewasser speise alimentacion alimentation rofeed",
    ),
    (
        Meaning::Stream(Stream::Feed),
        0.7,
        "fd inlet zulauf entrada entree raw rohwasser roh zul influent eingang",
    ),
    (Meaning::Stream(Stream::Feed), 0.5, "in"),
    (
        Meaning::Stream(Stream::Permeate),
        1.0,
        "permeate perm permeat permeado permeato",
    ),
    (
        Meaning::Stream(Stream::Permeate),
        0.8,
        "product producto produit reinwasser prm",
    ),
    (Meaning::Stream(Stream::Permeate), 0.5, "prod pure"),
    (
        Meaning::Stream(Stream::Concentrate),
        1.0,
        "concentrate reject brine konzentrat concentrado rechazo concentrat rejet saumure salmuera retentate retentat",
    ),
    (Meaning::Stream(Stream::Concentrate), 0.9, "conc rej konz"),
    (Meaning::Stream(Stream::Concentrate), 0.7, "waste"),
    (
        Meaning::Stream(Stream::Concentrate),
        0.4,
        "out outlet ablauf salida sortie drain",
    ),
    (
        Meaning::Stream(Stream::Recycle),
        1.0,
        "recycle recyc recirc recirculation recycled recirculated rezirkulation rezirk recirculacion recyclage reciclo rezi",
    ),
    (
        Meaning::Differential(1.0),
        1.0,
        "dp ddp differenzdruck deltap pdi pdt pdit dpt dpi dpit",
    ),
    (
        Meaning::Stream(Stream::Differential),
        0.9,
        "delta differential diff differenz diferencial differentielle",
    ),
    (
        Meaning::Stream(Stream::Differential),
        0.7,
        "drop loss verlust perdida perte difference",
    ),
    (
        Meaning::Quantity(Pressure),
        1.0,
        "pressure press pressr druck presion pression prs",
    ),
    (
        Meaning::Quantity(Flow),
        1.0,
        "flow flowrate flw durchfluss durchflus volumenstrom caudal debit",
    ),
    (Meaning::Quantity(Flow), 0.5, "rate menge"),
    (
        Meaning::Quantity(Temperature),
        1.0,
        "temperature temp temperatur temperatura tmp",
    ),
    (
        Meaning::Quantity(Conductivity),
        1.0,
        "conductivity cond conductance ec leitfahigkeit leitfaehigkeit leitf conductividad conductivite lf",
    ),
    (Meaning::Quantity(Concentration), 1.0, "tds salzgehalt"),
    (
        Meaning::Quantity(Concentration),
        0.6,
        "salinity salinidad salinite",
    ),
    (Meaning::Quantity(Acidity), 1.0, "ph"),
    (
        Meaning::Quantity(Switch),
        0.9,
        "running betrieb marcha marche",
    ),
    (Meaning::Quantity(Switch), 0.8, "run status state online on"),
    (Symbol(Pressure), 0.5, "pt pi pit pg pic"),
    (Symbol(Pressure), 0.4, "p"),
    (Symbol(Flow), 0.5, "ft fi fit fe fic q"),
    (Symbol(Flow), 0.3, "f"),
    (Symbol(Temperature), 0.5, "tt ti tit te tic"),
    (Symbol(Temperature), 0.4, "t"),
    (Symbol(Conductivity), 0.5, "ct ci cit ce cic"),
    (
        Meaning::Time,
        1.0,
        "time date timestamp datetime zeit datum uhrzeit zeitstempel fecha hora heure zeitpunkt tijd",
    ),
    (Meaning::Stage, 1.0, "stage stages stufe etapa etage"),
    (Meaning::Stage, 0.7, "stg"),
    (Meaning::Train, 1.0, "train"),
    (
        Meaning::Train,
        0.7,
        "skid rack linie linea ligne strasse unit bank",
    ),
    (
        Foreign,
        1.0,
        "turbidity ntu turb trubung turbidez orp redox chlorine chlor chlorid chloride cl cloro chlore level lvl niveau fullstand nivel \
        hardness harte dureza silica iron manganese hours hrs stunden betriebsstunden horas heures speed drehzahl hz frequency freq current \
        strom amps amp ampere power leistung energy kwh kw totaliser totalizer totalized totalised volume volumen zahler sdi recovery \
        ausbeute rejection ruckhalt passage setpoint sollwert sp alarm alarms valve ventil valvula vanne position fault mode count weight \
        voltage volts humidity wind rain solar radiation flux normalised normalized norm dose dosing dosage dosierung antiscalant \
        inhibitor chemical nitrate nitrat sulfate calcium sodium oxygen co2 alkalinity boron toc uv uvt price amount cost \
        permeability vibration torque torq fraction efficiency",
    ),
    (
        Elsewhere,
        1.0,
        "filter filters cartridge prefilter vorfilter filtro filtre multimedia mmf sand softener tank behalter cip cleaning \
        pump pumpe bomba pompe motor booster interstage ambient air luft room outdoor well brunnen backwash suction discharge header uf \
        ultrafiltration mf blend distribution network boiler pass max maximum min minimum stdev std limit target design pre post \
        vorlage cooling heating bearing oil steam hp lp erd bypass seal flush spulung rinse sample probe lab degasser edi mixed",
    ),
    (
        Filler,
        1.0,
        "ro osmosis umkehrosmose osmose hmi plc pv val value wert ist actual avg average mean mittel mittelwert water wasser agua \
        eau of the de du des la el le der die das am an line reading meter gauge sensor transmitter indicator \
        signal measured tag channel ch col column main membrane membranes membran to from at total totale gesamt and und y et no nr number \
        ait ae qit qi analog plant anlage local remote nd st rd th us usgal system sys comp corrected at25 x reading readings digital electrical specific",
    ),
];

static VOCABULARY: LazyLock<HashMap<&'static str, (Meaning, f64)>> = LazyLock::new(|| {
    WORDS
        .iter()
        .flat_map(|(meaning, strength, words)| {
            words
                .split_whitespace()
                .map(move |word| (word, (*meaning, *strength)))
        })
        .collect()
});

/// What a word means, and how surely.
pub(super) fn look_up(word: &str) -> Option<(Meaning, f64)> {
    VOCABULARY.get(word).copied()
}

/// Whether a text is a unit of what no column of a log measures.
pub(super) fn is_foreign_unit(plain: &str) -> bool {
    FOREIGN_UNITS.split_whitespace().any(|unit| unit == plain)
}

/// Ways of writing units that the table of units leaves out, since only a header uses them (common practice, no source).
const UNITS: &[(&str, &str)] = &[
    (
        "uS/cm",
        "us uscm umho umhos us/cm2 microsiemens microsiemens/cm micromho umhos/cm",
    ),
    ("mS/cm", "ms mscm ms/cm"),
    ("m3/h", "m3h m3hr m3ph m3/hour cbm/h cbmh m3/std"),
    ("m3/d", "m3d cmd m3/tag m3/dia m3/jour"),
    ("L/min", "lmin l/minute l/mn"),
    ("L/h", "lh l/hr l/std"),
    ("L/s", "ls lps l/sec"),
    ("gpm", "usgpm gal/minute us-gpm"),
    ("degC", "degc gradc oc c. celsius"),
    ("degF", "degf of fahrenheit"),
    ("psi", "psi psig lb/in2 lbs/in2 lbf/in2 psid"),
    ("bar", "bar barg baru bars"),
    ("kPa", "kpa kpag"),
    ("kgf/cm2", "kg/cm2 kgcm2 kgf/cm2 kg/cm2g"),
    ("gpd", "gpd"),
    ("MGD", "mgd"),
    ("mg/L", "mg/l mgl ppm"),
    ("m3/h", "m3/h cmh m3/hr"),
];

/// Units of what is no column of a log.
const FOREIGN_UNITS: &str = "% ntu mv hz a amp amps kw kwh rpm hpa v ma m3 gal kgal inh2o inhg mmhg ppb ug/l fnu fnu l nephelometric usd eur s/m2";
/// The words of which one is made ("permeatdurchfluss", "feedpress"), where all are known.
pub(super) fn compound(word: &str) -> Option<Vec<&str>> {
    const LONGEST: usize = 40;
    if word.len() > LONGEST || !word.is_ascii() {
        return None;
    }
    let known = |part: &str| part.len() >= 3 && VOCABULARY.contains_key(part);
    // Greedy from the left, the longest word first; a joining "s" is passed over.
    let mut parts = Vec::new();
    let mut rest = word;
    if let Some(tail) = rest.strip_prefix(['p', 't', 'q'])
        && matches!(VOCABULARY.get(tail), Some((Meaning::Stream(_), _)))
    {
        return Some(vec![&word[..1], tail]);
    }
    while !rest.is_empty() {
        let end = (3..=rest.len()).rev().find(|end| known(&rest[..*end]));
        match end {
            Some(end) => {
                parts.push(&rest[..end]);
                rest = &rest[end..];
            }
            None if !parts.is_empty() && rest.starts_with('s') => rest = &rest[1..],
            None => return None,
        }
    }
    (parts.len() > 1).then_some(parts)
}

/// The unit of a text, as headers write it.
pub(super) fn unit_of(text: &str, plain: &str) -> Option<&'static Unit> {
    let by_table = || {
        UNITS
            .iter()
            .find(|(_, spellings)| {
                spellings
                    .split_whitespace()
                    .any(|spelling| spelling == plain)
            })
            .and_then(|(word, _)| Unit::parse(word).ok())
    };
    // "mbar" and "MPa" keep their case; "M3/H" and "PSIG" need not.
    Unit::parse(text)
        .ok()
        .filter(|unit| !unit.word.is_empty())
        .or_else(by_table)
}
