//! What a header says, by the words of the trade in it.

mod vocabulary;

use crate::log::Column;
use crate::units::{Quantity, Unit};
use Quantity::{Concentration, Conductivity, Flow, Pressure, Temperature};
use vocabulary::Meaning::{self, Elsewhere, Filler, Foreign, Symbol};
use vocabulary::{compound, is_foreign_unit, look_up, unit_of};

pub(super) use vocabulary::Stream;

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
        if is_foreign_unit(&plain) {
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
            let meaning = look_up(&token.word);
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
        if let Some((meaning, strength)) = look_up(word) {
            self.mean(meaning, strength, word);
            return;
        }
        if word.len() >= 3 && self.take_unit(word, false) {
            return;
        }
        if let Some(parts) = compound(word) {
            for part in parts {
                if let Some((meaning, strength)) = look_up(part) {
                    self.mean(meaning, strength, part);
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
            ("Feed pH", Some("feed"), Some(Quantity::Acidity), None),
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
