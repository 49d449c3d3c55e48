//! The tank over a day: what is drawn against what the unit makes between its start and stop levels, minute by minute.

use super::demand::{MINUTES, Running, Tank};

/// After so many days without a repeat no steady day is sought any more.
const MOST_DAYS: usize = 400;
/// Figures are then means over so many more.
const MEAN_DAYS: usize = 100;
/// Levels closer than this share of what can be drawn are the same.
const SAME: f64 = 1e-9;

/// A day of the tank, m3 of what can be drawn of it. Of a course that repeats itself after several days, levels are of the first
/// of them, and `lowest` of all; amounts, hours and starts are means over them.
#[derive(Debug, Clone, PartialEq)]
pub struct TankDay {
    /// At the start of each minute, and at the day's end.
    pub levels: Vec<f64>,
    /// The lowest.
    pub lowest: f64,
    /// When, minutes from midnight.
    pub lowest_at: usize,
    /// How long the unit runs, h.
    pub hours_run: f64,
    /// How often it starts.
    pub starts: f64,
    /// What the unit made.
    pub made: f64,
    /// What was wanted of the tank.
    pub wanted: f64,
    /// What could not be drawn.
    pub shortfall: f64,
    /// When that was, on the day shown: from and to, minutes from midnight.
    pub short: Vec<(usize, usize)>,
    /// After so many days it ends where it began; `None`: not within 400, and means are over the 100 days after those.
    pub repeats_after_days: Option<usize>,
}

/// The state that a minute hands to the next.
#[derive(Debug, Clone, Copy, PartialEq)]
struct State {
    level: f64,
    /// Whether the level switch calls for water.
    calls: bool,
    /// Whether the unit ran when the minute ended.
    runs: bool,
}

/// What is drawn, and when the unit may make how much.
struct Day<'a> {
    tank: &'a Tank,
    draws: &'a [f64],
    allowed: Vec<bool>,
    /// At most so many minutes a day.
    most: f64,
    /// m3 in a minute.
    makes: f64,
}

/// A day that ends where it began, or the first of several that do together.
///
/// In each minute: level at its end = level + made − (wanted − shortfall). The level switch calls from `start_at` down until
/// `stop_at` is reached; the unit runs while it calls and may run, at `flow` m3/h, in the minute in which `stop_at` is reached only as
/// long as that takes. What can't be drawn is lost.
///
/// `draws`: m3 in each of 1440 minutes.
pub fn tank_day(tank: &Tank, running: &Running, draws: &[f64], flow: f64) -> TankDay {
    let day = Day {
        tank,
        draws,
        allowed: running.allowed(),
        most: running
            .most_hours
            .map_or(f64::INFINITY, |hours| 60.0 * hours),
        makes: flow / 60.0,
    };
    // Full at first: whatever comes of it then is of the day itself.
    let mut state = State {
        level: tank.stop_at * tank.usable_m3,
        calls: false,
        runs: false,
    };
    let mut seen = vec![state];
    for _ in 0..MOST_DAYS {
        state = day.run(state, None);
        let same = |other: &State| {
            (other.level - state.level).abs() <= SAME * tank.usable_m3
                && (other.calls, other.runs) == (state.calls, state.runs)
        };
        if let Some(before) = seen.iter().rposition(same) {
            let days = seen.len() - before;
            return day.told(seen[before], days, Some(days));
        }
        seen.push(state);
    }
    day.told(state, MEAN_DAYS, None)
}

/// The least volume that can be drawn with which nothing is short, where the unit runs whenever it may and the tank is not full,
/// m3; `None`: more is drawn a day than is made.
pub fn storage_needed(running: &Running, draws: &[f64], flow: f64) -> Option<f64> {
    let wanted: f64 = draws.iter().sum();
    if wanted > flow * running.hours() * (1.0 + SAME) {
        return None;
    }
    let allowed = running.allowed();
    let makes = flow / 60.0;
    let most = running
        .most_hours
        .map_or(f64::INFINITY, |hours| 60.0 * hours);
    let (mut missing, mut largest) = (0.0_f64, 0.0_f64);
    // A day begins with what the one before left missing, until that is the same.
    for _ in 0..MOST_DAYS {
        let (mut ran, before) = (0.0, missing);
        largest = 0.0;
        for (minute, draw) in draws.iter().enumerate() {
            // It starts once something is missing, not with what draws it.
            let starts = allowed[minute] && missing > 0.0 && makes > 0.0;
            missing += draw;
            if starts {
                let left = (most - ran).clamp(0.0, 1.0);
                // Exactly full, where that is reached.
                let is_full = missing <= left * makes;
                ran += if is_full { missing / makes } else { left };
                missing = if is_full { 0.0 } else { missing - left * makes };
            }
            largest = largest.max(missing);
        }
        if missing - before <= SAME * wanted {
            break;
        }
    }
    Some(largest)
}

impl Day<'_> {
    /// A day from a state on; what happens is added to `told`.
    fn run(&self, mut state: State, mut told: Option<&mut TankDay>) -> State {
        let stop = self.tank.stop_at * self.tank.usable_m3;
        let start = self.tank.start_at * self.tank.usable_m3;
        let mut ran = 0.0;
        for minute in 0..MINUTES {
            let draw = self.draws.get(minute).copied().unwrap_or(0.0);
            if let Some(told) = &mut told {
                told.levels.push(state.level);
            }
            if state.level <= start {
                state.calls = true;
            } else if state.level >= stop {
                state.calls = false;
            }
            let may = state.calls && self.allowed[minute] && self.makes > 0.0;
            let left = if may {
                (self.most - ran).clamp(0.0, 1.0)
            } else {
                0.0
            };
            let room = (stop - state.level + draw).max(0.0);
            let is_full = left * self.makes >= room;
            let part = if is_full && may {
                room / self.makes
            } else {
                left
            };
            let made = part * self.makes;
            let short = (draw - state.level - made).max(0.0);
            let runs = part > 0.0;
            if let Some(told) = &mut told {
                told.made += made;
                told.hours_run += part / 60.0;
                told.starts += f64::from(u8::from(runs && !state.runs));
                told.shortfall += short;
                if short > 0.0 {
                    match told.short.last_mut() {
                        Some((_, to)) if *to == minute => *to += 1,
                        _ => told.short.push((minute, minute + 1)),
                    }
                }
            }
            ran += part;
            state.level = (state.level + made - (draw - short)).max(0.0);
            if is_full && may {
                // Exactly there, so that what came before is forgotten.
                state.level = stop;
                state.calls = false;
            }
            state.runs = runs && !(is_full && may);
            if let Some(told) = &mut told
                && state.level < told.lowest
            {
                (told.lowest, told.lowest_at) = (state.level, minute + 1);
            }
        }
        state
    }

    /// What happens over so many days from a state on.
    fn told(&self, mut state: State, days: usize, repeats_after_days: Option<usize>) -> TankDay {
        let mut told = TankDay {
            levels: Vec::with_capacity(MINUTES + 1),
            lowest: state.level,
            lowest_at: 0,
            hours_run: 0.0,
            starts: 0.0,
            made: 0.0,
            wanted: self.draws.iter().sum(),
            shortfall: 0.0,
            short: Vec::new(),
            repeats_after_days,
        };
        for at in 0..days {
            let shown = told.levels.len();
            let short = told.short.clone();
            state = self.run(state, Some(&mut told));
            if at == 0 {
                told.levels.push(state.level);
            } else {
                told.levels.truncate(shown);
                told.short = short;
            }
        }
        let days = days as f64;
        for mean in [
            &mut told.hours_run,
            &mut told.starts,
            &mut told.made,
            &mut told.shortfall,
        ] {
            *mean /= days;
        }
        told
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::sizing::demand::RunningFlow;
    use proptest::prelude::*;

    fn running(most_hours: Option<f64>) -> Running {
        Running {
            between: vec![(300, 1380)],
            most_hours,
            flow: RunningFlow::Limit,
        }
    }

    #[test]
    fn a_tank_too_small_is_short_when_it_is_drawn() {
        // 12 m3 from 08:00 to 10:00, 1 m3/h made, 4 m3 stored: (6 − 1) m3/h empty it at 08:47:48, 5 m3/h are then short.
        let tank = Tank {
            usable_m3: 4.0,
            start_at: 0.99,
            stop_at: 1.0,
        };
        let mut draws = vec![0.0; MINUTES];
        draws[480..600].fill(0.1);
        let day = tank_day(&tank, &running(None), &draws, 1.0);
        assert_eq!(day.repeats_after_days, Some(1));
        assert_eq!(day.lowest, 0.0);
        assert_eq!(day.short.len(), 1);
        assert!((day.shortfall - 6.0).abs() < 0.05, "{}", day.shortfall);
        // Nothing is made in the first minute, in which the level switch has not seen the draw.
        assert_eq!(day.short, [(527, 600)]);
        let needed = storage_needed(&running(None), &draws, 1.0).expect("enough a day");
        assert!((needed - 10.0).abs() < 0.02, "{needed}");
        assert_eq!(storage_needed(&running(None), &draws, 0.6), None);
    }

    #[test]
    fn a_large_tank_is_filled_once_in_several_days() {
        let tank = Tank {
            usable_m3: 100.0,
            start_at: 0.3,
            stop_at: 1.0,
        };
        let draws = vec![10.0 / MINUTES as f64; MINUTES];
        let day = tank_day(&tank, &running(None), &draws, 2.0);
        // Filled at another minute each time, it never repeats itself within the days that are looked at.
        assert_ne!(day.repeats_after_days, Some(1));
        assert_eq!(day.levels.len(), MINUTES + 1);
        assert!((day.made - day.wanted).abs() < 100.0 / MEAN_DAYS as f64 && day.shortfall == 0.0);
        assert!(day.starts < 1.0 && day.lowest > 20.0);
    }

    proptest! {
        #[test]
        fn water_is_neither_made_nor_lost(
            shares in prop::collection::vec(0.0_f64..3.0, 24), flow in 0.0_f64..4.0, usable in 0.1_f64..30.0,
            start in 0.0_f64..0.9, more in 0.01_f64..0.1, most in prop::option::of(1.0_f64..24.0),
        ) {
            let tank = Tank { usable_m3: usable, start_at: start, stop_at: start + more };
            let draws: Vec<f64> = (0..MINUTES).map(|minute| shares[minute / 60] / 60.0).collect();
            let day = tank_day(&tank, &running(most), &draws, flow);
            prop_assert!(day.levels.iter().all(|level| (0.0..=tank.usable_m3 * (1.0 + 1e-12)).contains(level)));
            prop_assert!(day.hours_run <= running(most).hours() + 1e-9);
            prop_assert!((day.made - flow * day.hours_run).abs() < 1e-9 * (1.0 + day.made));
            prop_assert!((0.0..=day.wanted * (1.0 + 1e-9)).contains(&day.shortfall));
            if let Some(days) = day.repeats_after_days {
                // What is left in the tank at the end is what was in it at first.
                let off = day.made - (day.wanted - day.shortfall);
                prop_assert!((off * days as f64).abs() < 1e-7 * (1.0 + usable), "{off}");
            }
            // A tank of what is needed is never short, if it is refilled at once.
            if let Some(needed) = storage_needed(&running(most), &draws, flow) {
                let tank = Tank { usable_m3: needed.max(1e-6) * 1.000_001, start_at: 1.0 - 1e-12, stop_at: 1.0 };
                let day = tank_day(&tank, &running(most), &draws, flow);
                // Where the unit has to run nearly all it may, the minute in which the switch is read is missed.
                let missed = (1e-4 * day.wanted.max(1.0)).max(flow / 60.0);
                prop_assert!(day.shortfall < missed, "{}", day.shortfall);
            }
        }
    }
}
