//! Numbers that know how they depend on what was put in.
//!
//! Each equation is written once, for any [`Number`]. With `f64` it gives the figure; with a [`Dual`] it gives the
//! figure and its exact derivatives, by the rules of calculus carried along with the arithmetic (forward
//! differentiation), not by differences. The exponential and the logarithm are those of `math`, so that both give
//! the same figure, bit for bit; that is why this is not a library's type.

use std::ops::{Add, Div, Mul, Neg, Sub};

use crate::math;

/// What an equation can be worked out with.
pub trait Number:
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
    /// A number that depends on nothing.
    fn constant(value: f64) -> Self;

    /// The figure.
    fn value(self) -> f64;

    /// e to its power.
    fn exp(self) -> Self;

    /// Its natural logarithm.
    fn ln(self) -> Self;

    /// Its square root.
    fn sqrt(self) -> Self;

    /// A longer equation of it. Inside, only the derivative by this one number is carried; the chain rule brings it to
    /// all the others at once.
    #[inline(always)]
    fn by(self, equation: impl Equation) -> Self {
        equation.of(self)
    }

    /// Two figures, each of this number and of one of a pair, likewise.
    #[inline(always)]
    fn by_pair(self, pair: [Self; 2], equations: impl Pair) -> [Self; 2] {
        equations.of(self, pair)
    }
}

/// An equation of one number.
pub trait Equation {
    /// The figure that follows.
    fn of<T: Number>(&self, x: T) -> T;
}

/// Two equations, each of a number they share and of one of its own.
pub trait Pair {
    /// The figures that follow.
    fn of<T: Number>(&self, shared: T, each: [T; 2]) -> [T; 2];
}

impl Number for f64 {
    #[inline(always)]
    fn constant(value: f64) -> Self {
        value
    }

    #[inline(always)]
    fn value(self) -> f64 {
        self
    }

    #[inline(always)]
    fn exp(self) -> Self {
        math::exp(self)
    }

    #[inline(always)]
    fn ln(self) -> Self {
        math::ln(self)
    }

    #[inline(always)]
    fn sqrt(self) -> Self {
        Self::sqrt(self)
    }
}

/// A figure with its derivatives by `K` quantities.
///
/// ```
/// use brinemark::number::{Dual, Number};
/// let x = Dual::<1>::variable(3.0, 0);
/// let y = x * x + x.ln();
/// assert!((y.value() - 10.098_612).abs() < 1e-6);
/// assert!((y.slopes[0] - (2.0 * 3.0 + 1.0 / 3.0)).abs() < 1e-12);
/// ```
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Dual<const K: usize> {
    /// The figure.
    pub value: f64,
    /// Its derivatives, by slot.
    pub slopes: [f64; K],
}

impl<const K: usize> Dual<K> {
    /// The quantity numbered `slot` itself.
    #[inline(always)]
    pub fn variable(value: f64, slot: usize) -> Self {
        let mut slopes = [0.0; K];
        slopes[slot] = 1.0;
        Self { value, slopes }
    }

    /// A function of it, by its figure and its derivative there.
    #[inline(always)]
    pub(crate) fn chain(self, value: f64, slope: f64) -> Self {
        Self {
            value,
            slopes: std::array::from_fn(|k| slope * self.slopes[k]),
        }
    }
}

impl<const K: usize> Number for Dual<K> {
    #[inline(always)]
    fn constant(value: f64) -> Self {
        Self {
            value,
            slopes: [0.0; K],
        }
    }

    #[inline(always)]
    fn value(self) -> f64 {
        self.value
    }

    #[inline(always)]
    fn exp(self) -> Self {
        let value = math::exp(self.value);
        self.chain(value, value)
    }

    #[inline(always)]
    fn ln(self) -> Self {
        self.chain(math::ln(self.value), 1.0 / self.value)
    }

    #[inline(always)]
    fn sqrt(self) -> Self {
        let value = self.value.sqrt();
        // At zero the derivative is infinite: what is multiplied by zero later would be lost to NaN.
        let slope = if value > 0.0 { 0.5 / value } else { 0.0 };
        self.chain(value, slope)
    }

    #[inline(always)]
    fn by(self, equation: impl Equation) -> Self {
        let found = equation.of(Dual::<1>::variable(self.value, 0));
        self.chain(found.value, found.slopes[0])
    }

    #[inline(always)]
    fn by_pair(self, pair: [Self; 2], equations: impl Pair) -> [Self; 2] {
        let shared = Dual::<2>::variable(self.value, 0);
        let found = equations.of(shared, pair.map(|own| Dual::variable(own.value, 1)));
        std::array::from_fn(|at| {
            let (found, own) = (found[at], pair[at]);
            Self {
                value: found.value,
                slopes: std::array::from_fn(|k| {
                    found.slopes[0] * self.slopes[k] + found.slopes[1] * own.slopes[k]
                }),
            }
        })
    }
}

impl<const K: usize> Add for Dual<K> {
    type Output = Self;

    #[inline(always)]
    fn add(self, other: Self) -> Self {
        Self {
            value: self.value + other.value,
            slopes: std::array::from_fn(|k| self.slopes[k] + other.slopes[k]),
        }
    }
}

impl<const K: usize> Sub for Dual<K> {
    type Output = Self;

    #[inline(always)]
    fn sub(self, other: Self) -> Self {
        Self {
            value: self.value - other.value,
            slopes: std::array::from_fn(|k| self.slopes[k] - other.slopes[k]),
        }
    }
}

impl<const K: usize> Mul for Dual<K> {
    type Output = Self;

    #[inline(always)]
    fn mul(self, other: Self) -> Self {
        Self {
            value: self.value * other.value,
            slopes: std::array::from_fn(|k| {
                self.slopes[k] * other.value + self.value * other.slopes[k]
            }),
        }
    }
}

impl<const K: usize> Div for Dual<K> {
    type Output = Self;

    #[inline(always)]
    fn div(self, other: Self) -> Self {
        let value = self.value / other.value;
        let inverse = 1.0 / other.value;
        Self {
            value,
            slopes: std::array::from_fn(|k| (self.slopes[k] - value * other.slopes[k]) * inverse),
        }
    }
}

impl<const K: usize> Neg for Dual<K> {
    type Output = Self;

    #[inline(always)]
    fn neg(self) -> Self {
        self.chain(-self.value, -1.0)
    }
}

impl<const K: usize> Add<f64> for Dual<K> {
    type Output = Self;

    #[inline(always)]
    fn add(mut self, other: f64) -> Self {
        self.value += other;
        self
    }
}

impl<const K: usize> Sub<f64> for Dual<K> {
    type Output = Self;

    #[inline(always)]
    fn sub(mut self, other: f64) -> Self {
        self.value -= other;
        self
    }
}

impl<const K: usize> Mul<f64> for Dual<K> {
    type Output = Self;

    #[inline(always)]
    fn mul(self, other: f64) -> Self {
        self.chain(self.value * other, other)
    }
}

impl<const K: usize> Div<f64> for Dual<K> {
    type Output = Self;

    #[inline(always)]
    fn div(self, other: f64) -> Self {
        self.chain(self.value / other, 1.0 / other)
    }
}

/// Several figures side by side, each worked out as if alone.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Lanes<const N: usize>(pub [f64; N]);

impl<const N: usize> Lanes<N> {
    #[inline(always)]
    fn each(self, of: impl Fn(f64) -> f64) -> Self {
        let mut found = [0.0; N];
        for i in 0..N {
            found[i] = of(self.0[i]);
        }
        Self(found)
    }

    #[inline(always)]
    fn pairs(self, other: Self, of: impl Fn(f64, f64) -> f64) -> Self {
        let mut found = [0.0; N];
        for i in 0..N {
            found[i] = of(self.0[i], other.0[i]);
        }
        Self(found)
    }
}

impl<const N: usize> Number for Lanes<N> {
    #[inline(always)]
    fn constant(value: f64) -> Self {
        Self([value; N])
    }

    /// The first of them: only for choices that are alike for all.
    #[inline(always)]
    fn value(self) -> f64 {
        self.0.first().copied().unwrap_or(f64::NAN)
    }

    #[inline(always)]
    fn exp(self) -> Self {
        self.each(math::exp)
    }

    #[inline(always)]
    fn ln(self) -> Self {
        self.each(math::ln)
    }

    #[inline(always)]
    fn sqrt(self) -> Self {
        self.each(f64::sqrt)
    }
}

macro_rules! of_lanes {
    ($($operation:ident $name:ident $sign:tt;)*) => {$(
        impl<const N: usize> $operation for Lanes<N> {
            type Output = Self;

            #[inline(always)]
            fn $name(self, other: Self) -> Self {
                self.pairs(other, |a, b| a $sign b)
            }
        }

        impl<const N: usize> $operation<f64> for Lanes<N> {
            type Output = Self;

            #[inline(always)]
            fn $name(self, other: f64) -> Self {
                self.each(|a| a $sign other)
            }
        }
    )*};
}

of_lanes! {
    Add add +;
    Sub sub -;
    Mul mul *;
    Div div /;
}

impl<const N: usize> Neg for Lanes<N> {
    type Output = Self;

    #[inline(always)]
    fn neg(self) -> Self {
        self.each(|a| -a)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn tangled<T: Number>(x: T, y: T) -> T {
        ((x * y).sqrt() - (y / 3.0 + x).ln() * 2.0 + 0.5) / (x - y * 4.0).exp() - -x * y
    }

    proptest! {
        #[test]
        fn slopes_are_those_of_differences(x in 0.1..2.0_f64, y in 0.1..2.0_f64) {
            let found = tangled(Dual::<2>::variable(x, 0), Dual::variable(y, 1));
            prop_assert_eq!(found.value, tangled(x, y));
            let h = 1e-5;
            let by_x = (tangled(x + h, y) - tangled(x - h, y)) / (2.0 * h);
            let by_y = (tangled(x, y + h) - tangled(x, y - h)) / (2.0 * h);
            let scale = 1.0 + found.slopes[0].abs().max(found.slopes[1].abs());
            prop_assert!((found.slopes[0] - by_x).abs() < 1e-6 * scale, "{found:?} {by_x}");
            prop_assert!((found.slopes[1] - by_y).abs() < 1e-6 * scale, "{found:?} {by_y}");
        }
    }

    #[test]
    fn a_root_at_zero_keeps_the_figures() {
        let root = Dual::<1>::variable(0.0, 0).sqrt();
        assert_eq!((root.value, root.slopes), (0.0, [0.0]));
    }
}
