//! The membrane side of the unit: what the raw feed becomes before it meets the elements, and what they make of it.
//!
//! [`recycle`]: the membranes' inlet from measured flows. [`channel`], `element`, [`train`]: the forward model, from
//! inlet to permeate. [`operate`]: a unit at work, recycle and all; [`profile`]: element by element. [`infer`]: the membrane
//! behind a reading, and that of a data sheet ([`train::Membrane::rated`]).

pub mod channel;
mod element;
pub mod expected;
pub mod extremes;
pub mod infer;
pub mod operate;
pub mod profile;
mod rating;
pub mod recycle;
pub mod train;
