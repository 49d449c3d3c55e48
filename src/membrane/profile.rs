//! A unit at work, element by element.

use rayon::prelude::*;

use super::element::Through;
use super::operate::{D, Operation, Working, block_of, blocks_of};
use super::train::{Membrane, Train};
use crate::error::Error;

/// One element of a unit at work; of a stage's vessels all alike.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ElementAtWork {
    /// The stage, from 1.
    pub stage: usize,
    /// The place in its vessel, from 1.
    pub element: usize,
    /// L/m2/h.
    pub flux: f64,
    /// m3/h.
    pub inlet_flow: f64,
    /// m3/h.
    pub permeate_flow: f64,
    /// mg/L.
    pub permeate_tds: f64,
    /// m3/h.
    pub concentrate_flow: f64,
    /// mg/L.
    pub concentrate_tds: f64,
    /// bar.
    pub concentrate_pressure: f64,
    /// Its permeate over its inlet flow.
    pub recovery: f64,
    /// Salt at the membrane over salt in its mean flow.
    pub polarisation: f64,
}

impl Train {
    /// One case, element by element in the order the concentrate runs.
    ///
    /// # Errors
    /// As [`Train::work`].
    pub fn profile(
        &self,
        membrane: &Membrane,
        case: &Operation,
    ) -> Result<(Working, Vec<ElementAtWork>), Error> {
        let mut found = self.profiles(&[*membrane], &[*case])?;
        // One case gives one profile.
        Ok(found
            .pop()
            .unwrap_or_else(|| (Working::of(f64::NAN), Vec::new())))
    }

    /// Many cases, each with its membrane, element by element.
    ///
    /// # Errors
    /// As [`Train::work`].
    pub fn profiles(
        &self,
        membranes: &[Membrane],
        cases: &[Operation],
    ) -> Result<Vec<(Working, Vec<ElementAtWork>)>, Error> {
        let worked = self.work(membranes, cases)?;
        let pairs: Vec<(Membrane, Operation)> = membranes
            .iter()
            .copied()
            .zip(cases.iter().copied())
            .collect();
        let blocks = blocks_of(&pairs);
        let elements: Vec<Vec<Vec<ElementAtWork>>> = blocks
            .par_iter()
            .map(|pairs| {
                let (membranes, operation) = block_of(pairs);
                let mut seen = Vec::new();
                self.working(membranes, &operation, Some(&mut seen));
                (0..pairs.len()).map(|i| self.elements(&seen, i)).collect()
            })
            .collect();
        Ok(worked
            .into_iter()
            .zip(elements.into_iter().flatten())
            .collect())
    }

    /// The elements of one case of a block.
    fn elements(&self, seen: &[Through<D>], case: usize) -> Vec<ElementAtWork> {
        let mut places = self.stages.iter().enumerate().flat_map(|(stage, of)| {
            (0..of.elements_per_vessel as usize).map(move |element| (stage + 1, element + 1))
        });
        seen.iter()
            .map(|through| {
                let (stage, element) = places.next().unwrap_or_default();
                let of = |figure: D| figure.value.0[case];
                let (permeate, out) = (of(through.permeate_flow), &through.outflow);
                let inlet = of(out.flow) + permeate;
                ElementAtWork {
                    stage,
                    element,
                    flux: of(through.flux),
                    inlet_flow: inlet,
                    permeate_flow: permeate,
                    permeate_tds: of(through.permeate_tds),
                    concentrate_flow: of(out.flow),
                    concentrate_tds: of(out.tds),
                    concentrate_pressure: of(out.pressure),
                    recovery: permeate / inlet,
                    polarisation: of(through.membrane_tds) / of(through.mean_tds),
                }
            })
            .collect()
    }
}
