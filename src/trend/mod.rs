//! What a series does over time.

pub mod cross_checks;
