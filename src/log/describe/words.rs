//! What a header says, by the words of the trade in it.

use std::collections::HashMap;
use std::sync::LazyLock;

use super::super::Column;
use crate::units::{Quantity, Unit};

/// What a column's name says before its quantity.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Stream {
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
enum Meaning {
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
        "recycle recirc recirculation recycled recirculated rezirkulation rezirk recirculacion recyclage reciclo rezi",
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

/// What a header says.
#[derive(Debug, Clone, Default)]
pub(super) struct Header {
    /// The stream it names, how surely, and the word.
    pub streams: Vec<(Stream, f64, String)>,
    /// The quantity it names, likewise; its unit counts.
    pub quantities: Vec<(Quantity, f64, String)>,
    pub unit: Option<&'static Unit>,
    /// It states an absolute pressure.
    pub absolute: bool,
    /// The word for something that is no column of a log.
    pub foreign: Option<String>,
    /// The word for another place than the membranes.
    pub elsewhere: Option<String>,
    /// Words that are in no vocabulary.
    pub unknown: Vec<String>,
    pub stage: Option<u32>,
    pub train: Option<String>,
    pub is_time: bool,
    /// It is the name of a label column.
    pub label: Option<(&'static str, f64)>,
}

impl Header {
    /// Understands a header.
    pub fn of(title: &str) -> Self {
        let mut found = Self::default();
        let folded = fold(title);
        let rest = found.take_units(&folded);
        let tokens = tokens(&rest);
        let places = found.take_places(&tokens);
        for (at, token) in tokens.iter().enumerate() {
            if !places.contains(&at) {
                found.take(token);
            }
        }
        found.take_trailing_letter(&tokens);
        if let Some(unit) = found.unit {
            // Parts per million are told of many things; other units tell their quantity.
            let strength = if unit.quantity == Concentration {
                0.5
            } else {
                1.0
            };
            found.quantity(unit.quantity, strength, unit.word);
        }
        found.settle();
        found
    }

    /// How surely the header says a stream.
    pub fn stream(&self, stream: Stream) -> Option<(f64, &str)> {
        self.streams
            .iter()
            .find(|(known, ..)| *known == stream)
            .map(|(_, strength, word)| (*strength, word.as_str()))
    }

    /// How surely the header says a quantity.
    pub fn quantity_of(&self, quantity: Quantity) -> Option<(f64, &str)> {
        self.quantities
            .iter()
            .find(|(known, ..)| *known == quantity)
            .map(|(_, strength, word)| (*strength, word.as_str()))
    }

    /// Whether its unit is one of another quantity than its words.
    pub fn conflict(&self) -> Option<&str> {
        let unit = self.unit?;
        self.quantities
            .iter()
            .find(|(quantity, strength, _)| *quantity != unit.quantity && *strength >= 0.7)
            .map(|(.., word)| word.as_str())
    }

    /// Whether it says nothing at all of what is measured.
    pub fn says_nothing(&self) -> bool {
        self.streams.is_empty()
            && self.quantities.is_empty()
            && self.unknown.is_empty()
            && self.foreign.is_none()
            && self.elsewhere.is_none()
    }

    fn quantity(&mut self, quantity: Quantity, strength: f64, word: &str) {
        match self
            .quantities
            .iter_mut()
            .find(|(known, ..)| *known == quantity)
        {
            Some(known) if known.1 < strength => *known = (quantity, strength, word.to_owned()),
            Some(_) => {}
            None => self.quantities.push((quantity, strength, word.to_owned())),
        }
    }

    fn stream_word(&mut self, stream: Stream, strength: f64, word: &str) {
        match self.streams.iter_mut().find(|(known, ..)| *known == stream) {
            Some(known) if known.1 < strength => *known = (stream, strength, word.to_owned()),
            Some(_) => {}
            None => self.streams.push((stream, strength, word.to_owned())),
        }
    }

    /// Takes the unit out of a header, in brackets or by itself; what is left are words.
    fn take_units(&mut self, title: &str) -> String {
        let mut rest = String::new();
        let mut inner: Option<String> = None;
        for c in title.chars() {
            match (c, &mut inner) {
                ('(' | '[' | '{' | '<', None) => inner = Some(String::new()),
                (')' | ']' | '}' | '>', Some(text)) => {
                    if !self.take_unit(text, true) {
                        rest.push(' ');
                        rest.push_str(text);
                    }
                    rest.push(' ');
                    inner = None;
                }
                (_, Some(text)) => text.push(c),
                (_, None) => rest.push(c),
            }
        }
        if let Some(text) = inner {
            rest.push(' ');
            rest.push_str(&text);
        }
        let mut chunks: Vec<&str> = rest
            .split(|c: char| c.is_whitespace() || "_,;:|-=".contains(c))
            .filter(|chunk| !chunk.is_empty())
            .collect();
        if let [.., before, last] = chunks.as_slice() {
            let both = format!("{before} {last}");
            if self.take_unit(&both, false) {
                chunks.truncate(chunks.len() - 2);
                return chunks.join(" ");
            }
        }
        let unit = (0..chunks.len())
            .rev()
            .find(|at| self.take_unit(chunks[*at], false));
        if let Some(at) = unit {
            chunks.remove(at);
            return chunks.join(" ");
        }
        rest
    }

    /// Takes a text as the header's unit, if it is one. In brackets a single letter may be.
    fn take_unit(&mut self, text: &str, bracketed: bool) -> bool {
        let text = text.split('@').next().unwrap_or_default().trim();
        let text = text.split(" at ").next().unwrap_or_default().trim();
        let plain: String = text
            .to_lowercase()
            .chars()
            .filter(|c| !c.is_whitespace() && *c != '.' && *c != '°' && *c != '^')
            .collect();
        if text.is_empty() || (!bracketed && plain.len() < 3 && !text.contains('°')) {
            return false;
        }
        if [
            "psia", "bara", "baraabs", "kpaa", "barabs", "psiabs", "mpaa",
        ]
        .contains(&plain.as_str())
        {
            self.absolute = true;
            self.quantity(Pressure, 1.0, text);
            return true;
        }
        if FOREIGN_UNITS.split_whitespace().any(|unit| unit == plain) {
            self.foreign.get_or_insert_with(|| text.to_owned());
            return true;
        }
        let Some(unit) = unit_of(text, &plain) else {
            return false;
        };
        let of_logs = Column::ALL
            .iter()
            .any(|column| column.quantity() == unit.quantity);
        if !of_logs {
            // Outside brackets "min" or "in" is a word more often than a unit.
            if bracketed {
                self.foreign.get_or_insert_with(|| text.to_owned());
            }
            return bracketed;
        }
        if self.unit.is_none() {
            self.unit = Some(unit);
        }
        true
    }

    /// Takes the words and figures that name a stage or a train; returns their places.
    fn take_places(&mut self, tokens: &[Token]) -> Vec<usize> {
        let mut taken = Vec::new();
        for (at, token) in tokens.iter().enumerate() {
            let meaning = VOCABULARY.get(token.word.as_str()).copied();
            let next = tokens.get(at + 1);
            let figure = |token: &Token| {
                token
                    .word
                    .parse::<u32>()
                    .ok()
                    .filter(|n| (1..=20).contains(n))
            };
            let short = |token: &Token| {
                figure(token).is_some()
                    || (token.word.len() == 1 && token.word.chars().all(char::is_alphabetic))
            };
            match meaning {
                Some((Meaning::Stage, strength)) => {
                    let (before, ordinal) = (at.checked_sub(1), at.checked_sub(2));
                    let at_place = |place: Option<usize>| place.and_then(|place| tokens.get(place));
                    let named = |token: &Token| match token.word.as_str() {
                        "first" | "erste" | "primera" | "premier" => Some(1),
                        "second" | "zweite" | "segunda" | "deuxieme" => Some(2),
                        "third" | "dritte" | "tercera" | "troisieme" => Some(3),
                        _ => None,
                    };
                    let suffix = at_place(before).is_some_and(|token| {
                        ["st", "nd", "rd", "th", "e", "a"].contains(&token.word.as_str())
                    });
                    taken.push(at);
                    if let Some(number) = next.and_then(figure) {
                        self.stage = Some(number);
                        taken.push(at + 1);
                    } else if let Some(number) = at_place(before).and_then(named) {
                        self.stage = Some(number);
                        taken.extend(before);
                    } else if let (true, Some(number)) =
                        (suffix, at_place(ordinal).and_then(figure))
                    {
                        self.stage = Some(number);
                        taken.extend(before.into_iter().chain(ordinal));
                    } else if let Some(number) = at_place(before).and_then(figure) {
                        self.stage = Some(number);
                        taken.extend(before);
                    } else if tokens.len() <= 2 {
                        self.label = Some(("stage", strength));
                    }
                }
                Some((Meaning::Train, strength)) => {
                    taken.push(at);
                    if let Some(name) = next.filter(|token| short(token)) {
                        self.train = Some(name.word.to_uppercase());
                        taken.push(at + 1);
                    } else if tokens.len() <= 2 {
                        self.label = Some(("train", strength));
                    }
                }
                Some((Filler, _)) if token.word == "ro" => {
                    if let Some(name) = next.filter(|token| figure(token).is_some()) {
                        self.train = Some(name.word.clone());
                        taken.push(at + 1);
                    }
                }
                _ => {}
            }
        }
        taken
    }

    fn take(&mut self, token: &Token) {
        let word = token.word.as_str();
        if word.chars().all(|c| c.is_ascii_digit()) {
            return;
        }
        if let Some((meaning, strength)) = VOCABULARY.get(word) {
            self.mean(*meaning, *strength, word);
            return;
        }
        if word.len() >= 3 && self.take_unit(word, false) {
            return;
        }
        if let Some(parts) = compound(word) {
            for part in parts {
                if let Some((meaning, strength)) = VOCABULARY.get(part) {
                    self.mean(*meaning, *strength, part);
                }
            }
            return;
        }
        // One or two letters are a tag of some plant's own.
        if word.chars().count() > 2 {
            self.unknown.push(token.word.clone());
        }
    }

    fn mean(&mut self, meaning: Meaning, strength: f64, word: &str) {
        match meaning {
            Meaning::Stream(stream) => self.stream_word(stream, strength, word),
            Meaning::Quantity(quantity) | Symbol(quantity) => {
                self.quantity(quantity, strength, word)
            }
            Meaning::Differential(strength) => {
                self.stream_word(Stream::Differential, strength, word);
                self.quantity(Pressure, 0.9, word);
            }
            Meaning::Time => self.is_time = true,
            Foreign => {
                self.foreign.get_or_insert_with(|| word.to_owned());
            }
            Elsewhere => {
                self.elsewhere.get_or_insert_with(|| word.to_owned());
            }
            Meaning::Stage | Meaning::Train | Filler => {}
        }
    }

    /// "Temp F", "cond us": a letter at the end is a unit where the quantity is said beside it.
    fn take_trailing_letter(&mut self, tokens: &[Token]) {
        let (None, Some(last)) = (self.unit, tokens.last()) else {
            return;
        };
        let (quantity, word) = match last.word.as_str() {
            "c" => (Temperature, "degC"),
            "f" => (Temperature, "degF"),
            "us" => (Conductivity, "uS/cm"),
            "ms" => (Conductivity, "mS/cm"),
            _ => return,
        };
        // "Perm uS" says its quantity by the unit alone; a bare "F" would not.
        let said = match quantity {
            Conductivity if self.quantities.is_empty() => true,
            _ => self
                .quantity_of(quantity)
                .is_some_and(|(strength, _)| strength >= 0.5),
        };
        if tokens.len() > 1 && said {
            self.unit = Unit::parse_as(word, quantity).ok();
            self.quantities.retain(|(other, ..)| *other == quantity);
        }
    }

    /// What words mean beside each other.
    fn settle(&mut self) {
        use Stream::{Concentrate, Differential, Feed, Permeate, Recycle};
        // A recycle is one of concentrate to the feed; a difference lies between two streams.
        for whole in [Differential, Recycle] {
            if self
                .stream(whole)
                .is_some_and(|(strength, _)| strength >= 0.7)
            {
                self.streams.retain(|(stream, ..)| *stream == whole);
            }
        }
        // "raw concentrate" and "feed in": the surer word stands.
        if let Some(most) = self
            .streams
            .iter()
            .map(|(_, strength, _)| *strength)
            .reduce(f64::max)
        {
            self.streams
                .retain(|(_, strength, _)| *strength >= most - 0.15);
        }
        // A symbol gives way to a word: "P feed flow" is no pressure.
        if let Some(most) = self
            .quantities
            .iter()
            .map(|(_, strength, _)| *strength)
            .reduce(f64::max)
        {
            self.quantities
                .retain(|(_, strength, _)| *strength >= 0.7 || most < 0.7);
        }
        let outlet = self
            .streams
            .iter()
            .any(|(_, strength, word)| *strength < 0.5 && !matches!(word.as_str(), "drain"));
        // What leaves is concentrate by its pressure, permeate by its conductivity, and either by its flow.
        if outlet {
            let of = |quantity| self.quantities.iter().any(|(known, ..)| *known == quantity);
            let word = self
                .streams
                .first()
                .map_or(String::new(), |(.., word)| word.clone());
            if of(Conductivity) || of(Concentration) {
                self.streams = vec![(Permeate, 0.4, word)];
            } else if of(Flow) {
                self.streams.push((Permeate, 0.4, word));
            }
        }
        // "Conc" beside dissolved salt is its concentration; raw water is under another pressure than the membranes'.
        let salt = self.quantity_of(Concentration).is_some();
        let pressure = self.quantity_of(Pressure).is_some();
        for (stream, strength, word) in &mut self.streams {
            if *stream == Concentrate && salt && word == "conc" {
                *strength = 0.4;
            }
            if *stream == Feed && pressure && matches!(word.as_str(), "raw" | "roh" | "rohwasser") {
                *strength = 0.3;
            }
        }
    }
}

/// A word of a header.
#[derive(Debug, Clone)]
struct Token {
    word: String,
}

/// A header without accents; letters keep their case, which tells words apart.
fn fold(title: &str) -> String {
    let mut folded = String::with_capacity(title.len());
    for c in title.trim_start_matches('\u{feff}').chars().take(200) {
        match c {
            'ä' | 'á' | 'à' | 'â' | 'ã' => folded.push('a'),
            'Ä' | 'Á' | 'À' => folded.push('A'),
            'é' | 'è' | 'ê' | 'ë' => folded.push('e'),
            'É' | 'È' => folded.push('E'),
            'í' | 'î' | 'ï' => folded.push('i'),
            'ö' | 'ó' | 'ô' => folded.push('o'),
            'Ö' | 'Ó' => folded.push('O'),
            'ü' | 'ú' | 'û' => folded.push('u'),
            'Ü' | 'Ú' => folded.push('U'),
            'ñ' => folded.push('n'),
            'ç' => folded.push('c'),
            'ß' => folded.push_str("ss"),
            'Δ' | '∆' => folded.push_str(" delta "),
            'µ' | 'μ' => folded.push('u'),
            '²' => folded.push('2'),
            '³' => folded.push('3'),
            'º' => folded.push('°'),
            _ => folded.push(c),
        }
    }
    folded
}

/// The words of a text: cut at what is no letter or figure, at a change of case and between letters and figures.
fn tokens(text: &str) -> Vec<Token> {
    let letters: Vec<char> = text.chars().collect();
    let mut words: Vec<String> = Vec::new();
    let mut word = String::new();
    let mut end = |word: &mut String| {
        if !word.is_empty() {
            words.push(std::mem::take(word).to_lowercase());
        }
    };
    for (at, c) in letters.iter().copied().enumerate() {
        if !c.is_alphanumeric() {
            end(&mut word);
            continue;
        }
        if let Some(last) = word.chars().last() {
            let next_is_lower = letters.get(at + 1).is_some_and(|next| next.is_lowercase());
            // "pH" and "dP" stay whole; "permFlow" and "ROFeed" are cut.
            let up = last.is_lowercase() && c.is_uppercase() && word.chars().count() > 1;
            let down = last.is_uppercase() && c.is_uppercase() && next_is_lower;
            let kind = last.is_ascii_digit() != c.is_ascii_digit();
            if up || down || kind {
                end(&mut word);
            }
        }
        word.push(c);
    }
    end(&mut word);
    words.into_iter().map(|word| Token { word }).collect()
}

/// The words of which one is made ("permeatdurchfluss", "feedpress"), where all are known.
fn compound(word: &str) -> Option<Vec<&str>> {
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
fn unit_of(text: &str, plain: &str) -> Option<&'static Unit> {
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

#[cfg(test)]
mod tests {
    use super::*;

    fn said(title: &str) -> (Option<&'static str>, Option<Quantity>, Option<&'static str>) {
        let header = Header::of(title);
        let best = header.quantities.iter().max_by(|a, b| a.1.total_cmp(&b.1));
        (
            header.streams.first().map(|(stream, ..)| stream.name()),
            best.map(|(quantity, ..)| *quantity),
            header.unit.map(|unit| unit.word),
        )
    }

    #[test]
    fn headers_of_many_plants() {
        let cases = [
            ("Flow_perm_gpm", Some("permeate"), Some(Flow), Some("gpm")),
            (
                "Perm Cond (µS)",
                Some("permeate"),
                Some(Conductivity),
                Some("uS/cm"),
            ),
            ("TT-101", None, Some(Temperature), None),
            (
                "Druck Zulauf [bar]",
                Some("feed"),
                Some(Pressure),
                Some("bar"),
            ),
            (
                "Permeatdurchfluss m³/h",
                Some("permeate"),
                Some(Flow),
                Some("m3/h"),
            ),
            (
                "Leitfähigkeit Konzentrat (mS/cm)",
                Some("concentrate"),
                Some(Conductivity),
                Some("mS/cm"),
            ),
            ("ROFeedPressPSI", Some("feed"), Some(Pressure), Some("psi")),
            ("dP", Some("differential"), Some(Pressure), None),
            (
                "Delta P (psid)",
                Some("differential"),
                Some(Pressure),
                Some("psi"),
            ),
            (
                "ΔP stage [bar]",
                Some("differential"),
                Some(Pressure),
                Some("bar"),
            ),
            ("Feed pH", Some("feed"), Some(Acidity), None),
            (
                "Caudal de rechazo (l/h)",
                Some("concentrate"),
                Some(Flow),
                Some("L/h"),
            ),
            (
                "Pression alimentation bar",
                Some("feed"),
                Some(Pressure),
                Some("bar"),
            ),
            (
                "Conc recycle flow GPM",
                Some("recycle"),
                Some(Flow),
                Some("gpm"),
            ),
            ("Temp F", None, Some(Temperature), Some("degF")),
            (
                "Feed Temp (°C)",
                Some("feed"),
                Some(Temperature),
                Some("degC"),
            ),
            ("Q perm", Some("permeate"), Some(Flow), None),
            ("EC in", Some("feed"), Some(Conductivity), None),
            ("FI 201", None, Some(Flow), None),
            ("c7", None, None, None),
        ];
        for (title, stream, quantity, unit) in cases {
            assert_eq!(said(title), (stream, quantity, unit), "{title}");
        }
    }

    #[test]
    fn stages_trains_and_what_is_no_column() {
        let stage = |title| Header::of(title).stage;
        assert_eq!(stage("Stage 2 dP (psi)"), Some(2));
        assert_eq!(stage("2nd stage permeate flow"), Some(2));
        assert_eq!(stage("Perm flow stg1"), Some(1));
        assert_eq!(stage("First Stage Feed Pressure"), Some(1));
        assert_eq!(Header::of("RO2 Feed press").train.as_deref(), Some("2"));
        assert_eq!(Header::of("Train A perm flow").train.as_deref(), Some("A"));
        assert_eq!(Header::of("Stage").label, Some(("stage", 1.0)));
        for title in [
            "Turbidity NTU",
            "Recovery (%)",
            "Run hours (h)",
            "Tank level (m)",
            "HP pump speed Hz",
        ] {
            assert!(Header::of(title).foreign.is_some(), "{title}");
        }
        assert!(Header::of("Cartridge filter dP").elsewhere.is_some());
        assert!(Header::of("Feed pressure (psia)").absolute);
        assert_eq!(Header::of("TDS (uS/cm)").conflict(), Some("tds"));
    }

    #[test]
    fn any_text_is_taken() {
        for title in [
            "", "((", "]]", "@@ at", "µ", "ß°", "𝛥P", "s", "permeats", "sssss",
        ] {
            let _ = Header::of(title);
        }
    }
}
