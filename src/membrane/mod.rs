//! The membrane side of the unit: what the raw feed becomes before it meets the elements.

pub mod recycle;
