//! How a trial is built: which stretches of which arms, added and taken off, tell what the treatment does.

use super::arms::Course;
use super::refused;
use crate::error::Error;

/// How a trial is built.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Design {
    /// Trains side by side, each with its treatment, on the same water; paired by day.
    Parallel,
    /// One train, before and after.
    BeforeAfter,
    /// A train before and after, beside one that keeps the control's treatment; paired by day.
    BeforeAfterControl,
    /// Two trains that change treatments from period to period; paired by day.
    Crossover,
}

impl Design {
    /// Every design with its name.
    pub const NAMES: [(&'static str, Self); 4] = [
        ("parallel", Self::Parallel),
        ("before-after", Self::BeforeAfter),
        ("before-after-control", Self::BeforeAfterControl),
        ("crossover", Self::Crossover),
    ];

    /// Its name.
    pub fn name(self) -> &'static str {
        let found = Self::NAMES.iter().find(|(_, design)| *design == self);
        found.map_or("", |(name, _)| name)
    }

    /// The design of this name.
    ///
    /// # Errors
    /// [`Error::Series`] names those there are.
    pub fn named(name: &str) -> Result<Self, Error> {
        let found = Self::NAMES.iter().find(|(known, _)| *known == name);
        found.map(|(_, design)| *design).ok_or_else(|| {
            let names = Self::NAMES.map(|(name, _)| name).join(", ");
            refused(
                format!("design '{name}' is not known"),
                format!("one of {names}"),
            )
        })
    }
}

/// An arm, or an arm less another day by day, and how much it counts.
#[derive(Debug, Clone, Copy)]
pub(super) struct Piece {
    /// The place of the arm.
    pub of: usize,
    /// The place of the arm that is taken off, day by day.
    pub less: Option<usize>,
    /// How much it counts.
    pub weight: f64,
}

/// What is added and taken off for one treatment against the control.
#[derive(Debug, Clone)]
pub(super) struct Contrast {
    pub treatment: String,
    /// Treated less control.
    pub effect: Vec<Piece>,
    /// What would be without the treatment.
    pub control: Vec<Piece>,
    /// What is with it.
    pub treated: Vec<Piece>,
    /// Arms that must be alike.
    pub alike: Vec<(usize, usize)>,
}

fn single(of: usize, weight: f64) -> Piece {
    Piece {
        of,
        less: None,
        weight,
    }
}

fn pair(of: usize, less: usize, weight: f64) -> Piece {
    Piece {
        of,
        less: Some(less),
        weight,
    }
}

fn together(a: &Course<'_>, b: &Course<'_>) -> bool {
    let ((a_start, a_end), (b_start, b_end)) = (a.arm.span_us, b.arm.span_us);
    a_start < b_end && b_start < a_end
}

/// What a design makes of its arms, treatment by treatment.
///
/// # Errors
/// [`Error::Series`] where the arms are not those of the design.
pub(super) fn contrasts(
    design: Design,
    courses: &[Course<'_>],
    control: &str,
) -> Result<Vec<Contrast>, Error> {
    let treated: Vec<usize> = (0..courses.len())
        .filter(|at| courses[*at].arm.treatment != control)
        .collect();
    let untreated: Vec<usize> = (0..courses.len())
        .filter(|at| courses[*at].arm.treatment == control)
        .collect();
    let wrong = |wanted: &str| {
        Err(refused(
            format!(
                "{} arms with the control's treatment '{control}' and {} with others are no {} trial",
                untreated.len(),
                treated.len(),
                design.name()
            ),
            wanted,
        ))
    };
    let contrast = |treatment: &str, effect, control, treated, alike| Contrast {
        treatment: treatment.to_owned(),
        effect,
        control,
        treated,
        alike,
    };
    let name = |at: usize| courses[at].arm.treatment;
    match design {
        Design::Parallel => {
            let (&[base], false) = (untreated.as_slice(), treated.is_empty()) else {
                return wrong(
                    "one arm with the control's treatment, and one or more others beside it",
                );
            };
            if let Some(at) = treated
                .iter()
                .find(|at| !together(&courses[**at], &courses[base]))
            {
                return Err(refused(
                    format!(
                        "arm {} and arm {} have no day together",
                        courses[*at].arm.words(),
                        courses[base].arm.words()
                    ),
                    "arms at the same time, or the design before-after",
                ));
            }
            Ok(treated
                .into_iter()
                .map(|at| {
                    contrast(
                        name(at),
                        vec![pair(at, base, 1.0)],
                        vec![single(base, 1.0)],
                        vec![single(at, 1.0)],
                        vec![(base, at)],
                    )
                })
                .collect())
        }
        Design::BeforeAfter => {
            let (&[base], &[at]) = (untreated.as_slice(), treated.as_slice()) else {
                return wrong(
                    "one arm with the control's treatment, and one after it with the other",
                );
            };
            if !courses[base].same_unit(&courses[at]) {
                return Err(refused(
                    "before and after are not the same train with the same reference",
                    "normalise both with the same baseline; for two trains, the design parallel",
                ));
            }
            if together(&courses[base], &courses[at]) {
                return Err(refused(
                    "before and after overlap in time",
                    "end the one before the other begins",
                ));
            }
            Ok(vec![contrast(
                name(at),
                vec![single(at, 1.0), single(base, -1.0)],
                vec![single(base, 1.0)],
                vec![single(at, 1.0)],
                vec![(base, at)],
            )])
        }
        Design::BeforeAfterControl => {
            let wanted = "the treated train before (with the control's treatment) and after, and a train that keeps the control's treatment in both times";
            let (&[at], 3) = (treated.as_slice(), untreated.len()) else {
                return wrong(wanted);
            };
            let before = untreated
                .iter()
                .copied()
                .find(|one| courses[*one].same_unit(&courses[at]));
            let beside = |of: usize| {
                untreated
                    .iter()
                    .copied()
                    .find(|one| Some(*one) != before && together(&courses[*one], &courses[of]))
            };
            let Some(before) = before else {
                return wrong(wanted);
            };
            let (Some(then), Some(now)) = (beside(before), beside(at)) else {
                return wrong(wanted);
            };
            if then == now || !courses[then].same_unit(&courses[now]) {
                return wrong(wanted);
            }
            Ok(vec![contrast(
                name(at),
                vec![pair(at, now, 1.0), pair(before, then, -1.0)],
                vec![single(before, 1.0), single(now, 1.0), single(then, -1.0)],
                vec![single(at, 1.0)],
                vec![(then, before), (now, at)],
            )])
        }
        Design::Crossover => {
            let wanted = "in each period a train with the control's treatment and one with the other, and each train with both as often";
            let pairs: Vec<(usize, usize)> = treated
                .iter()
                .filter_map(|at| {
                    let beside = untreated.iter().find(|one| {
                        !courses[**one].same_unit(&courses[*at])
                            && together(&courses[**one], &courses[*at])
                    })?;
                    Some((*at, *beside))
                })
                .collect();
            let balanced = treated.iter().all(|at| {
                let of_unit = |set: &[usize]| {
                    set.iter()
                        .filter(|one| courses[**one].same_unit(&courses[*at]))
                        .count()
                };
                of_unit(&treated) == of_unit(&untreated)
            });
            let one_treatment = treated.windows(2).all(|two| name(two[0]) == name(two[1]));
            if pairs.len() < 2
                || pairs.len() != treated.len()
                || untreated.len() != treated.len()
                || !balanced
                || !one_treatment
            {
                return wrong(wanted);
            }
            let weight = 1.0 / pairs.len() as f64;
            let each = |make: &dyn Fn(&(usize, usize)) -> Piece| {
                pairs.iter().map(make).collect::<Vec<Piece>>()
            };
            Ok(vec![contrast(
                name(treated[0]),
                each(&|(at, base)| pair(*at, *base, weight)),
                each(&|(_, base)| single(*base, weight)),
                each(&|(at, _)| single(*at, weight)),
                pairs.iter().map(|(at, base)| (*base, *at)).collect(),
            )])
        }
    }
}
