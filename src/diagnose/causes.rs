//! What can be wrong with a unit, and the pattern by which each shows itself.
//!
//! The patterns are those of textbooks (common practice, from memory): which of water permeability, salt permeability and
//! pressure drop move, which way, how much beside each other, and in which form over time. The ranges are wide on
//! purpose; what lies between two patterns is shared between them.

/// What may be wrong.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Cause {
    /// Nothing but age.
    Ageing,
    /// Silt, clay, colloids.
    Particulate,
    /// A living film.
    Biofouling,
    /// A film of organic matter.
    Organic,
    /// Minerals that came out of the concentrate.
    Scaling,
    /// Chlorine or another oxidant, or hydrolysis.
    Oxidation,
    /// An O-ring, a glue line, a torn leaf.
    Leak,
    /// An instrument.
    Instrument,
    /// The water or the way the unit is run; the membranes are unharmed.
    Operation,
}

impl Cause {
    /// All, in order.
    pub const ALL: [Self; 9] = [
        Self::Ageing,
        Self::Particulate,
        Self::Biofouling,
        Self::Organic,
        Self::Scaling,
        Self::Oxidation,
        Self::Leak,
        Self::Instrument,
        Self::Operation,
    ];

    /// Its name.
    pub fn name(self) -> &'static str {
        match self {
            Self::Ageing => "ageing",
            Self::Particulate => "particulate fouling",
            Self::Biofouling => "biofouling",
            Self::Organic => "organic fouling",
            Self::Scaling => "scaling",
            Self::Oxidation => "oxidation",
            Self::Leak => "leak",
            Self::Instrument => "instrument",
            Self::Operation => "operation",
        }
    }

    /// What it is, in a sentence.
    pub fn words(self) -> &'static str {
        match self {
            Self::Ageing => "the membranes age as most do, nothing more",
            Self::Particulate => "silt, clay or colloids settle on the lead elements",
            Self::Biofouling => "a living film grows in the feed channels",
            Self::Organic => "a film of organic matter lies on the membranes",
            Self::Scaling => "minerals come out of the concentrate in the last elements",
            Self::Oxidation => "chlorine, another oxidant or hydrolysis opens the membranes",
            Self::Leak => "an O-ring, a glue line or a leaf lets feed into the permeate",
            Self::Instrument => "an instrument is wrong, not the membranes",
            Self::Operation => {
                "the water or the settings are others than before, the membranes are unharmed"
            }
        }
    }

    /// The pattern it is known by: water permeability, salt permeability, pressure drop, and where it starts.
    pub fn pattern(self) -> &'static str {
        match self {
            Self::Ageing => "output falls and salt passage rises by a few per cent a year",
            Self::Particulate => {
                "output falls, pressure drop rises alike, salt passage little; lead elements first"
            }
            Self::Biofouling => {
                "pressure drop rises first and most, then output falls; lead elements first"
            }
            Self::Organic => "output falls alone; salt passage stays or falls",
            Self::Scaling => {
                "output falls and salt passage rises, pressure drop late; last stage first"
            }
            Self::Oxidation => "salt passage rises ever faster, output rises too",
            Self::Leak => "salt passage rises at once, all else stays",
            Self::Instrument => "one instrument's figures move, those that don't need it stay",
            Self::Operation => {
                "normalised figures stay; feed salinity, pressure or recovery has changed"
            }
        }
    }
}

/// How something grows after it began, 0 to 1 at the log's end.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Form {
    /// Evenly.
    Even,
    /// Faster and faster: (exp(k x) − 1)/(exp k − 1).
    Faster(f64),
    /// Slower and slower: (1 − exp(−k x))/(1 − exp(−k)).
    Slower(f64),
    /// All at once.
    Step,
    /// Within a share of the log, then no more.
    Ramp(f64),
}

impl Form {
    /// How far it has grown; `x`: time since it began over the time that is left then; `share`: time since, over the log.
    pub fn at(self, x: f64, share: f64) -> f64 {
        if x <= 0.0 {
            return 0.0;
        }
        let x = x.min(1.0);
        match self {
            Self::Even => x,
            Self::Faster(k) => (k * x).exp_m1() / k.exp_m1(),
            Self::Slower(k) => (-k * x).exp_m1() / (-k).exp_m1(),
            Self::Step => 1.0,
            Self::Ramp(within) => (share / within).min(1.0),
        }
    }
}

/// One way a cause shows: how each logarithm moves for each unit of its severity, and in which form.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Showing {
    /// Water permeability.
    pub water: f64,
    /// Salt permeability.
    pub salt: f64,
    /// Pressure drop.
    pub drop: f64,
    /// The power of growth that the pressure drop follows: below 1 it leads, above 1 it comes late.
    pub drop_power: f64,
    /// The form.
    pub form: Form,
    /// Whether its severity may be below 0 too.
    pub both_ways: bool,
    /// About which size its severity lies.
    pub typical: f64,
    /// Standard deviation of its severity.
    pub severity: f64,
}

/// Everything a cause may look like, each way as likely; `recovery`: permeate over feed, by which a permeate meter leans on
/// the mean flow along the feed side.
pub fn showings(cause: Cause, recovery: f64) -> Vec<Showing> {
    const GROWS: [Form; 5] = [
        Form::Even,
        Form::Faster(2.0),
        Form::Faster(4.0),
        Form::Slower(2.0),
        Form::Slower(4.0),
    ];
    const SPEEDS_UP: [Form; 3] = [Form::Even, Form::Faster(2.0), Form::Faster(4.0)];
    let mut showings = Vec::new();
    let mut each = |waters: &[f64],
                    salts: &[f64],
                    drops: &[f64],
                    powers: &[f64],
                    forms: &[Form],
                    (typical, severity): (f64, f64),
                    both_ways: bool| {
        for water in waters {
            for salt in salts {
                for drop in drops {
                    for drop_power in powers {
                        for form in forms {
                            showings.push(Showing {
                                water: *water,
                                salt: *salt,
                                drop: *drop,
                                drop_power: *drop_power,
                                form: *form,
                                both_ways,
                                typical,
                                severity,
                            });
                        }
                    }
                }
            }
        }
    };
    match cause {
        // Known by what stays; what changed is looked for elsewhere.
        Cause::Ageing | Cause::Operation => {}
        Cause::Particulate => each(
            &[-1.0],
            &[0.0, 0.15, 0.3, 0.45],
            &[0.4, 0.7, 1.0, 1.3, 1.6],
            &[1.0],
            &GROWS,
            (0.0, 0.25),
            false,
        ),
        Cause::Biofouling => each(
            &[-1.0],
            &[0.0, 0.2, 0.4],
            &[1.4, 1.9, 2.4, 3.0, 3.6],
            &[0.5, 0.75],
            &SPEEDS_UP,
            (0.0, 0.2),
            false,
        ),
        Cause::Organic => each(
            &[-1.0],
            &[-0.4, -0.25, -0.1, 0.05],
            &[-0.05, 0.05, 0.15],
            &[1.0],
            &GROWS,
            (0.0, 0.25),
            false,
        ),
        Cause::Scaling => each(
            &[-1.0],
            &[0.4, 0.7, 1.0, 1.3, 1.6],
            &[0.1, 0.4, 0.7],
            &[2.0, 3.0],
            &SPEEDS_UP,
            (0.0, 0.2),
            false,
        ),
        Cause::Oxidation => each(
            &[0.02, 0.08, 0.16, 0.25],
            &[1.0],
            &[0.0],
            &[1.0],
            &[
                Form::Even,
                Form::Faster(1.5),
                Form::Faster(2.5),
                Form::Faster(4.0),
            ],
            (0.0, 0.6),
            false,
        ),
        Cause::Leak => each(
            &[0.0, 0.02],
            &[1.0],
            &[0.0],
            &[1.0],
            &[Form::Step],
            // A leak doubles salt passage rather than raising it by a tenth (common practice, no source).
            (0.7, 0.5),
            false,
        ),
        Cause::Instrument => {
            // It steps as often as it drifts.
            const MOVES: [Form; 6] = [
                Form::Step,
                Form::Step,
                Form::Step,
                Form::Ramp(0.08),
                Form::Ramp(0.16),
                Form::Ramp(0.25),
            ];
            // ln of the mean flow along the feed side, feed less half the permeate, of which the concentrate is measured.
            let half = 0.5 * recovery / (1.0 - 0.5 * recovery);
            each(
                &[1.0],
                &[1.0],
                &[-1.7 * half],
                &[1.0],
                &MOVES,
                (0.0, 0.15),
                true,
            );
            each(&[0.0], &[1.0], &[0.0], &[1.0], &MOVES, (0.0, 0.15), true);
        }
    }
    showings
}
