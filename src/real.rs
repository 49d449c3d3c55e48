//! Numbers that the equations are written in.
//!
//! Each equation stands once and runs on plain figures and on four readings at a time alike.

use std::ops::{Add, Div, Mul, Neg, Sub};

use wide::f64x4;

/// A real number, or several side by side.
pub trait Real:
    Copy
    + Add<Output = Self>
    + Sub<Output = Self>
    + Mul<Output = Self>
    + Div<Output = Self>
    + Neg<Output = Self>
    + Add<f64, Output = Self>
    + Sub<f64, Output = Self>
    + Mul<f64, Output = Self>
    + Div<f64, Output = Self>
{
    /// This constant.
    fn of(value: f64) -> Self;
    /// e to this power.
    fn exp(self) -> Self;
    /// The natural logarithm.
    fn ln(self) -> Self;
    /// The square root.
    fn sqrt(self) -> Self;
    /// `below` where this is less than `limit`, else `otherwise`.
    fn select_below(self, limit: f64, below: Self, otherwise: Self) -> Self;
    /// A function of one figure, applied to each.
    fn map(self, of: impl Fn(f64) -> f64) -> Self;
}

impl Real for f64 {
    #[inline]
    fn of(value: f64) -> Self {
        value
    }

    #[inline]
    fn exp(self) -> Self {
        Self::exp(self)
    }

    #[inline]
    fn ln(self) -> Self {
        Self::ln(self)
    }

    #[inline]
    fn sqrt(self) -> Self {
        Self::sqrt(self)
    }

    #[inline]
    fn select_below(self, limit: f64, below: Self, otherwise: Self) -> Self {
        if self < limit { below } else { otherwise }
    }

    #[inline]
    fn map(self, of: impl Fn(f64) -> f64) -> Self {
        of(self)
    }
}

impl Real for f64x4 {
    #[inline]
    fn of(value: f64) -> Self {
        Self::from(value)
    }

    #[inline]
    fn exp(self) -> Self {
        Self::exp(self)
    }

    #[inline]
    fn ln(self) -> Self {
        Self::ln(self)
    }

    #[inline]
    fn sqrt(self) -> Self {
        Self::sqrt(self)
    }

    #[inline]
    fn select_below(self, limit: f64, below: Self, otherwise: Self) -> Self {
        self.simd_lt(Self::from(limit)).select(below, otherwise)
    }

    #[inline]
    fn map(self, of: impl Fn(f64) -> f64) -> Self {
        Self::from(self.to_array().map(of))
    }
}
