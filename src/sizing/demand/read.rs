//! The demand file, key by key.

use toml::{Table, Value};

use super::day::{Stretch, apart, parts};
use super::{Allowance, Demand, DemandUnits, Feed, MONTHS, Prices, Running, RunningFlow, Tank};
use crate::error::{Error, Fault, Faults, nearest};
use crate::keys::{self, Keys, as_number, quantity_of, wrong};
use crate::normalise::temperature::RANGE_DEGC;
use crate::site::possible;
use crate::units::{Quantity, Unit, parse_quantity};

const FLOW_M3_H: (f64, f64) = (1e-6, 1e6);
/// Below this a day needs nothing; a plant may stand still for a season.
const DAILY_M3_H: (f64, f64) = (0.0, 1e6);
const STRETCH: &str = "from and to, as \"06:00-09:00\"";
/// What shares may miss 100 % by, through rounding.
const ROUNDING: f64 = 0.005;

pub(super) fn demand(text: &str) -> Result<Demand, Error> {
    let document =
        keys::document(text, "a demand file").map_err(|fault| Error::Demand(fault.into()))?;
    let mut faults = Faults::default();
    let faults_now = &mut faults;
    let mut file = Keys::new("the file:", Some(&document));
    let mut of = |key, faults: &mut Faults| file.table(key, faults);

    let mut keys = Keys::new("[demand]", of("demand", faults_now));
    let name = keys.text("name", faults_now);
    let name = keys.need("name", name, "\"Example demand\"", faults_now);
    let notes = keys.text("notes", faults_now);
    let daily = monthly(
        &mut keys,
        "daily",
        Quantity::Flow,
        DAILY_M3_H,
        "\"16 m3/d\"",
        faults_now,
    );
    if daily.is_some_and(|(months, _)| months.iter().all(|month| *month == 0.0)) {
        faults_now
            .push(Fault::new("nothing is needed", "a demand above 0").at_column(keys.at("daily")));
    }
    let peak = written(
        &mut keys,
        "peak_flow",
        Quantity::Flow,
        FLOW_M3_H,
        faults_now,
    );
    keys.close(faults_now);

    let profile = profile(of("profile", faults_now), faults_now);
    let tank = of("tank", faults_now).and_then(|table| tank(table, faults_now));
    let (running, flow_unit) = running(of("running", faults_now), faults_now);

    let mut keys = Keys::new("[operation]", of("operation", faults_now));
    let recovery = keys.quantity("recovery", Quantity::Fraction, (0.01, 0.99), faults_now);
    let recovery = keys.need("recovery", recovery, "\"60 %\"", faults_now);
    let range = (0.0, possible(Quantity::Pressure).1);
    let permeate_pressure =
        keys.quantity("permeate_pressure", Quantity::Pressure, range, faults_now);
    let permeate_pressure = keys.need(
        "permeate_pressure",
        permeate_pressure,
        "\"0.3 bar\"",
        faults_now,
    );
    let recycle = written(
        &mut keys,
        "recycle_flow",
        Quantity::Flow,
        DAILY_M3_H,
        faults_now,
    );
    keys.close(faults_now);

    let (feed, temperature_unit) = feed(of("feed", faults_now), faults_now);
    let allowance = allowance(of("allowance", faults_now), faults_now);

    let mut keys = Keys::new("[pump]", of("pump", faults_now));
    let pump_efficiency = keys.quantity("efficiency", Quantity::Fraction, (0.05, 1.0), faults_now);
    keys.close(faults_now);
    let prices = prices(of("price", faults_now), faults_now);
    file.close(faults_now);

    let daily_unit = daily.map_or(Quantity::Flow.canonical(), |(_, unit)| unit);
    let american = matches!(daily_unit.word, "gpd" | "gpm" | "MGD");
    let flow = [
        peak.map(|(_, unit)| unit),
        flow_unit,
        recycle.map(|(_, unit)| unit),
    ];
    let usual = |word: &str, quantity: Quantity| {
        let theirs = american.then(|| Unit::parse(word).ok()).flatten();
        theirs.unwrap_or(quantity.canonical())
    };
    let found = Demand {
        name: name.unwrap_or_default(),
        notes,
        daily: daily.map_or([f64::NAN; 12], |(months, _)| months),
        profile,
        peak_flow: peak.map(|(flow, _)| flow),
        tank: tank.map(|(tank, _)| tank),
        running,
        recovery: recovery.unwrap_or(f64::NAN),
        permeate_pressure: permeate_pressure.unwrap_or(f64::NAN),
        recycle_flow: recycle.map_or(0.0, |(flow, _)| flow),
        feed,
        allowance,
        pump_efficiency,
        prices,
        units: DemandUnits {
            temperature: temperature_unit,
            daily: daily_unit,
            flow: (flow.into_iter().flatten().next())
                .unwrap_or_else(|| usual("gpm", Quantity::Flow)),
            volume: tank.map_or_else(|| usual("gal", Quantity::Volume), |(_, unit)| unit),
        },
        text: text.to_owned(),
    };
    if let Some(peak) = found.peak_flow
        && peak < found.highest_flow() * (1.0 - 1e-9)
    {
        let unit = found.units.flow;
        let mean = unit.from_canonical(found.highest_flow());
        faults_now.push(
            Fault::new(
                format!("the profile itself draws {mean:.3} {}", unit.word),
                "the highest flow within any hour, or leave it out",
            )
            .at_column("[demand] peak_flow"),
        );
    }
    faults.into_result(Error::Demand)?;
    Ok(found)
}

/// A figure with the unit it is written in.
fn written(
    keys: &mut Keys<'_>,
    key: &'static str,
    quantity: Quantity,
    range: (f64, f64),
    faults: &mut Faults,
) -> Option<(f64, &'static Unit)> {
    let place = keys.at(key);
    let value = keys.value(key)?;
    quantity_of(value, &place, quantity, range, faults)
}

/// One figure for all months, or twelve.
fn monthly(
    keys: &mut Keys<'_>,
    key: &'static str,
    quantity: Quantity,
    range: (f64, f64),
    example: &str,
    faults: &mut Faults,
) -> Option<([f64; 12], &'static Unit)> {
    let place = keys.at(key);
    let value = keys.value(key);
    let value = keys.need(key, value, &format!("{example}, or twelve"), faults)?;
    let Some(list) = value.as_array() else {
        let (figure, unit) = quantity_of(value, &place, quantity, range, faults)?;
        return Some(([figure; 12], unit));
    };
    let Ok(list) = <&[Value; 12]>::try_from(list.as_slice()) else {
        let problem = format!("{} figures", list.len());
        faults
            .push(Fault::new(problem, "one, or twelve from January to December").at_column(place));
        return None;
    };
    let mut found = [f64::NAN; 12];
    let mut first = None;
    for (at, value) in list.iter().enumerate() {
        let place = format!("{place}, {}", MONTHS[at]);
        if let Some((figure, unit)) = quantity_of(value, &place, quantity, range, faults) {
            found[at] = figure;
            first = first.or(Some(unit));
        }
    }
    Some((found, first?))
}

fn profile(table: Option<&Table>, faults: &mut Faults) -> Vec<Stretch> {
    let Some(table) = table else {
        faults.push(
            Fault::new(
                "missing",
                "add [profile] with stretches, as \"06:00-09:00\" = \"40 %\", or hourly",
            )
            .at_column("[profile]"),
        );
        return Vec::new();
    };
    let before = faults.total();
    let mut found = match table.get("hourly") {
        Some(value) => hourly(value, table.len() > 1, faults),
        None => stretches(table, faults),
    };
    let total: f64 = found.iter().map(|stretch| stretch.share).sum();
    if faults.total() == before && (total - 1.0).abs() > ROUNDING {
        faults.push(
            Fault::new(
                format!("the shares add up to {:.1} %", 100.0 * total),
                "100 % in all",
            )
            .at_column("[profile]"),
        );
    }
    for stretch in &mut found {
        stretch.share /= total;
    }
    found
}

fn hourly(value: &Value, beside: bool, faults: &mut Faults) -> Vec<Stretch> {
    if beside {
        faults.push(
            Fault::new("hourly and stretches", "one of the two").at_column("[profile] hourly"),
        );
    }
    let shares: Option<Vec<f64>> = value.as_array().and_then(|list| {
        let share = |value: &Value| match value {
            Value::String(text) => parse_quantity(text, Quantity::Fraction).ok(),
            other => as_number(other),
        };
        list.iter()
            .map(|value| share(value).filter(|share| (0.0..=1.0).contains(share)))
            .collect()
    });
    let Some(shares) = shares.filter(|shares| shares.len() == 24) else {
        let right = "24 shares from 00:00 on, each from 0 to 1 or as \"4 %\"";
        faults.push(wrong("[profile] hourly", value, right));
        return Vec::new();
    };
    shares
        .into_iter()
        .enumerate()
        .map(|(hour, share)| Stretch {
            from: 60 * hour,
            to: 60 * (hour + 1),
            share,
        })
        .collect()
}

fn stretches(table: &Table, faults: &mut Faults) -> Vec<Stretch> {
    let mut found: Vec<Stretch> = Vec::new();
    for (key, value) in table {
        let place = format!("[profile] {key}");
        let Some(parts) = parts(key) else {
            let remedy = match nearest(key, ["hourly"]) {
                Some(near) => format!("did you mean '{near}'?"),
                None => format!("{STRETCH}, or hourly"),
            };
            faults.push(Fault::new("not a stretch of the day", remedy).at_column(place));
            continue;
        };
        let range = (0.0, 1.0);
        let Some((share, _)) = quantity_of(value, &place, Quantity::Fraction, range, faults) else {
            continue;
        };
        let minutes: usize = parts.iter().map(|(from, to)| to - from).sum();
        found.extend(parts.iter().map(|(from, to)| Stretch {
            from: *from,
            to: *to,
            share: share * (to - from) as f64 / minutes as f64,
        }));
    }
    let parts: Vec<_> = found.iter().map(|part| (part.from, part.to)).collect();
    apart(&parts, "[profile]", faults);
    found.sort_by_key(|stretch| stretch.from);
    found
}

fn tank(table: &Table, faults: &mut Faults) -> Option<(Tank, &'static Unit)> {
    let mut keys = Keys::new("[tank]", Some(table));
    let volume = written(&mut keys, "volume", Quantity::Volume, (1e-6, 1e6), faults);
    let volume = keys.need("volume", volume, "\"6 m3\"", faults);
    let mut share = |key: &'static str, example: &str, low: f64| {
        let value = keys.quantity(key, Quantity::Fraction, (low, 1.0), faults);
        keys.need(key, value, example, faults)
    };
    let usable = share("usable", "\"85 %\"", 0.01);
    let start_at = share("start_at", "\"60 %\"", 0.0);
    let stop_at = share("stop_at", "\"100 %\"", 0.0);
    if let (Some(start), Some(stop)) = (start_at, stop_at)
        && start >= stop
    {
        faults.push(
            Fault::new("not below stop_at", "a level below that of stop_at")
                .at_column(keys.at("start_at")),
        );
    }
    keys.close(faults);
    let (volume, unit) = volume?;
    let tank = Tank {
        usable_m3: volume * usable?,
        start_at: start_at?,
        stop_at: stop_at?,
    };
    Some((tank, unit))
}

fn running(table: Option<&Table>, faults: &mut Faults) -> (Running, Option<&'static Unit>) {
    let mut keys = Keys::new("[running]", table);
    let place = keys.at("between");
    let value = keys.value("between");
    let value = keys.need("between", value, "\"00:00-24:00\"", faults);
    let mut between = Vec::new();
    if let Some(value) = value {
        let texts = match value {
            Value::Array(list) => list.iter().map(Value::as_str).collect(),
            one => vec![one.as_str()],
        };
        let all: Option<Vec<_>> = texts.into_iter().map(|text| parts(text?)).collect();
        match all.filter(|all| !all.is_empty()) {
            Some(all) => between = all.concat(),
            None => faults.push(wrong(
                &place,
                value,
                &format!("{STRETCH}, or a list of them"),
            )),
        }
    }
    apart(&between, &place, faults);
    between.sort_unstable();
    let most_hours = keys.quantity("most_hours", Quantity::Duration, (0.1, 24.0), faults);
    let place = keys.at("flow");
    let value = keys.value("flow");
    let value = keys.need("flow", value, "\"need\", \"limit\" or \"1.2 m3/h\"", faults);
    let (flow, unit) = match value.and_then(Value::as_str) {
        Some("need") => (RunningFlow::Need, None),
        Some("limit") => (RunningFlow::Limit, None),
        Some(text) if !text.starts_with(|first: char| first.is_ascii_digit() || first == '.') => {
            faults.push(
                Fault::new(
                    "not a choice",
                    "one of: need, limit, or a flow: \"1.2 m3/h\"",
                )
                .at_column(place)
                .with_value(text),
            );
            (RunningFlow::Need, None)
        }
        _ => {
            let found = value
                .and_then(|value| quantity_of(value, &place, Quantity::Flow, FLOW_M3_H, faults));
            match found {
                Some((flow, unit)) => (RunningFlow::Flow(flow), Some(unit)),
                None => (RunningFlow::Need, None),
            }
        }
    };
    keys.close(faults);
    let running = Running {
        between,
        most_hours,
        flow,
    };
    (running, unit)
}

fn feed(table: Option<&Table>, faults: &mut Faults) -> (Feed, &'static Unit) {
    let mut keys = Keys::new("[feed]", table);
    let sine = table.and_then(|table| table.get("temperature")?.as_table());
    let example = "{ coldest = \"5 degC\", coldest_month = \"February\", warmest = \"20 degC\", warmest_month = \"August\" }";
    let temperature = match sine {
        Some(table) => {
            keys.value("temperature");
            waves(table, faults)
        }
        None => monthly(
            &mut keys,
            "temperature",
            Quantity::Temperature,
            RANGE_DEGC,
            example,
            faults,
        ),
    };
    let tds = monthly(
        &mut keys,
        "tds",
        Quantity::Concentration,
        possible(Quantity::Concentration),
        "\"500 mg/L\"",
        faults,
    );
    let range = (0.0, possible(Quantity::Pressure).1);
    let inlet_pressure = keys.quantity("inlet_pressure", Quantity::Pressure, range, faults);
    keys.close(faults);
    let found = Feed {
        temperature: temperature.map_or([f64::NAN; 12], |(months, _)| months),
        is_sine: sine.is_some(),
        tds: tds.map_or([f64::NAN; 12], |(months, _)| months),
        inlet_pressure,
    };
    let unit = temperature.map_or(Quantity::Temperature.canonical(), |(_, unit)| unit);
    (found, unit)
}

/// Half a sine wave from the coldest month to the warmest, half a one back.
fn waves(table: &Table, faults: &mut Faults) -> Option<([f64; 12], &'static Unit)> {
    let mut keys = Keys::new("[feed] temperature", Some(table));
    let names = std::array::from_fn::<_, 12, _>(|at| (MONTHS[at], at));
    let mut end =
        |key: &'static str, month: &'static str, example: [&str; 2], faults: &mut Faults| {
            let temperature = written(&mut keys, key, Quantity::Temperature, RANGE_DEGC, faults);
            let temperature = keys.need(key, temperature, example[0], faults);
            let at = keys.choice(month, &names, faults);
            Some((temperature?, keys.need(month, at, example[1], faults)?))
        };
    let coldest = end(
        "coldest",
        "coldest_month",
        ["\"5 degC\"", "\"February\""],
        faults,
    );
    let warmest = end(
        "warmest",
        "warmest_month",
        ["\"20 degC\"", "\"August\""],
        faults,
    );
    let place = keys.at("");
    keys.close(faults);
    let (((cold, unit), cold_at), ((warm, _), warm_at)) = (coldest?, warmest?);
    if cold > warm || cold_at == warm_at {
        faults.push(
            Fault::new(
                "the coldest month is not another, colder one than the warmest",
                "exchange them, or twelve figures",
            )
            .at_column(place.trim()),
        );
        return None;
    }
    let rising = (warm_at + 12 - cold_at) % 12;
    let months = std::array::from_fn(|at| {
        let since = (at + 12 - cold_at) % 12;
        let phase = if since <= rising {
            since as f64 / rising as f64
        } else {
            1.0 + (since - rising) as f64 / (12 - rising) as f64
        };
        let (middle, half) = (0.5 * (warm + cold), 0.5 * (warm - cold));
        middle - half * (std::f64::consts::PI * phase).cos()
    });
    Some((months, unit))
}

fn allowance(table: Option<&Table>, faults: &mut Faults) -> Allowance {
    let mut keys = Keys::new("[allowance]", table);
    let mut share = |key: &'static str, example: &str, high: f64| {
        let value = keys.quantity(key, Quantity::Fraction, (0.0, high), faults);
        keys.need(key, value, example, faults).unwrap_or(f64::NAN)
    };
    let flow_loss_a_year = share("flow_loss_a_year", "\"7 %\"", 0.5);
    let fouling = share("fouling", "\"10 %\"", 0.9);
    let salt_passage_growth_a_year = share("salt_passage_growth_a_year", "\"10 %\"", 1.0);
    let years = keys.number("years", (0.0, 20.0), faults);
    let years = keys.need("years", years, "3", faults);
    let tolerance = keys.quantity(
        "rated_flow_tolerance",
        Quantity::Fraction,
        (0.0, 0.5),
        faults,
    );
    keys.close(faults);
    Allowance {
        flow_loss_a_year,
        years: years.unwrap_or(f64::NAN),
        fouling,
        salt_passage_growth_a_year,
        rated_flow_tolerance: tolerance,
    }
}

fn prices(table: Option<&Table>, faults: &mut Faults) -> Prices {
    let mut keys = Keys::new("[price]", table);
    let energy_per_kwh = price(&mut keys, "energy", "0.15 per kWh", faults, |per| {
        (per == "kWh").then_some(1.0)
    });
    let water_per_m3 = price(&mut keys, "water", "1.80 per m3", faults, |per| {
        let one = if per.starts_with(|first: char| first.is_ascii_digit()) {
            per.to_owned()
        } else {
            format!("1 {per}")
        };
        let volume = parse_quantity(&one, Quantity::Volume).ok()?;
        (volume > 0.0).then_some(volume)
    });
    let currency = keys.text("currency", faults);
    keys.close(faults);
    Prices {
        energy_per_kwh,
        water_per_m3,
        currency,
    }
}

/// "0.15 per kWh": the figure over what `amount` says it is for.
fn price(
    keys: &mut Keys<'_>,
    key: &'static str,
    example: &str,
    faults: &mut Faults,
    amount: impl Fn(&str) -> Option<f64>,
) -> Option<f64> {
    let place = keys.at(key);
    let value = keys.value(key)?;
    let read = |text: &str| {
        let (figure, per) = text.split_once(" per ")?;
        let figure: f64 = figure.trim().parse().ok()?;
        let found = figure / amount(per.trim())?;
        (0.0..=1e9).contains(&found).then_some(found)
    };
    let found = value.as_str().and_then(read);
    if found.is_none() {
        faults.push(wrong(&place, value, &format!("text as \"{example}\"")));
    }
    found
}
