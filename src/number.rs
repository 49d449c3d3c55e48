//! Numbers that know how they depend on what was put in.
//!
//! Each equation is written once, for any [`Number`]. With `f64` it gives the figure; with a [`Dual`] it gives the
//! figure and its exact derivatives, by the rules of calculus carried along with the arithmetic (forward
//! differentiation), not by differences. The exponential and the logarithm are those of `math`, which a
//! compiler can run on several figures side by side; that is why this is not a library's type.

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
    /// The figure without its derivatives.
    type Figure: Number;

    /// A number that depends on nothing.
    fn constant(value: f64) -> Self;

    /// A figure, as a number that depends on nothing.
    fn fixed(figure: Self::Figure) -> Self;

    /// The figure without its derivatives.
    fn figure(self) -> Self::Figure;

    /// e to its power.
    fn exp(self) -> Self;

    /// Its natural logarithm.
    fn ln(self) -> Self;

    /// Its square root.
    fn sqrt(self) -> Self;

    /// `below` where it is below a limit, else `otherwise`.
    fn choose_below(self, limit: f64, below: Self, otherwise: Self) -> Self;

    /// A function of it that gives its value and its derivative.
    fn of_slope(self, function: impl Fn(f64) -> (f64, f64)) -> Self;

    /// A figure that was worked out of this one alone, with its one derivative: the chain rule gives it the others.
    fn chained(self, found: Dual<1, Self::Figure>) -> Self;

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
    type Figure = Self;

    #[inline(always)]
    fn constant(value: f64) -> Self {
        value
    }

    #[inline(always)]
    fn fixed(figure: f64) -> Self {
        figure
    }

    #[inline(always)]
    fn figure(self) -> f64 {
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

    #[inline(always)]
    fn choose_below(self, limit: f64, below: Self, otherwise: Self) -> Self {
        if self < limit { below } else { otherwise }
    }

    #[inline(always)]
    fn of_slope(self, function: impl Fn(f64) -> (f64, f64)) -> Self {
        function(self).0
    }

    #[inline(always)]
    fn chained(self, found: Dual<1>) -> Self {
        found.value
    }
}

/// A row of figures, each from its place. A plain loop: what the library has for that is not always compiled into its
/// caller, and then lacks the caller's vector instructions.
macro_rules! row {
    ($at:ident => $of:expr) => {{
        let mut row = [B::constant(0.0); K];
        for $at in 0..K {
            row[$at] = $of;
        }
        row
    }};
}

/// A figure (or several side by side) with its derivatives by `K` quantities.
///
/// ```
/// use brinemark::number::{Dual, Number};
/// let x = Dual::<1>::variable(3.0, 0);
/// let y = x * x + x.ln();
/// assert!((y.value - 10.098_612).abs() < 1e-6);
/// assert!((y.slopes[0] - (2.0 * 3.0 + 1.0 / 3.0)).abs() < 1e-12);
/// ```
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Dual<const K: usize, B = f64> {
    /// The figure.
    pub value: B,
    /// Its derivatives, by slot.
    pub slopes: [B; K],
}

impl<const K: usize, B: Number> Dual<K, B> {
    /// The quantity numbered `slot` itself.
    #[inline(always)]
    pub fn variable(value: B, slot: usize) -> Self {
        Self {
            value,
            slopes: row!(k => B::constant(if k == slot { 1.0 } else { 0.0 })),
        }
    }

    /// A function of it, by its figure and its derivative there.
    #[inline(always)]
    fn chain(self, value: B, slope: B) -> Self {
        Self {
            value,
            slopes: row!(k => slope * self.slopes[k]),
        }
    }
}

impl<const K: usize, B: Number> Number for Dual<K, B> {
    type Figure = B;

    #[inline(always)]
    fn constant(value: f64) -> Self {
        Self::fixed(B::constant(value))
    }

    #[inline(always)]
    fn fixed(figure: B) -> Self {
        Self {
            value: figure,
            slopes: [B::constant(0.0); K],
        }
    }

    #[inline(always)]
    fn figure(self) -> B {
        self.value
    }

    #[inline(always)]
    fn exp(self) -> Self {
        let value = self.value.exp();
        self.chain(value, value)
    }

    #[inline(always)]
    fn ln(self) -> Self {
        self.chain(self.value.ln(), B::constant(1.0) / self.value)
    }

    #[inline(always)]
    fn sqrt(self) -> Self {
        let value = self.value.sqrt();
        // At zero the derivative is infinite: what is multiplied by zero later would be lost to NaN.
        let none = B::constant(0.0);
        let slope = value.choose_below(f64::MIN_POSITIVE, none, B::constant(0.5) / value);
        self.chain(value, slope)
    }

    #[inline(always)]
    fn choose_below(self, limit: f64, below: Self, otherwise: Self) -> Self {
        let at = self.value;
        Self {
            value: at.choose_below(limit, below.value, otherwise.value),
            slopes: row!(k => at.choose_below(limit, below.slopes[k], otherwise.slopes[k])),
        }
    }

    #[inline(always)]
    fn of_slope(self, function: impl Fn(f64) -> (f64, f64)) -> Self {
        let value = self.value.of_slope(&function);
        let slope = self.value.of_slope(|x| (function(x).1, f64::NAN));
        self.chain(value, slope)
    }

    #[inline(always)]
    fn chained(self, found: Dual<1, B>) -> Self {
        self.chain(found.value, found.slopes[0])
    }

    #[inline(always)]
    fn by(self, equation: impl Equation) -> Self {
        self.chained(equation.of(Dual::<1, B>::variable(self.value, 0)))
    }

    #[inline(always)]
    fn by_pair(self, pair: [Self; 2], equations: impl Pair) -> [Self; 2] {
        let shared = Dual::<2, B>::variable(self.value, 0);
        let [first, second] = pair;
        let own = [
            Dual::variable(first.value, 1),
            Dual::variable(second.value, 1),
        ];
        let [one, other] = equations.of(shared, own);
        [
            Self {
                value: one.value,
                slopes: row!(k => one.slopes[0] * self.slopes[k] + one.slopes[1] * first.slopes[k]),
            },
            Self {
                value: other.value,
                slopes: row!(k => other.slopes[0] * self.slopes[k] + other.slopes[1] * second.slopes[k]),
            },
        ]
    }
}

impl<const K: usize, B: Number> Add for Dual<K, B> {
    type Output = Self;

    #[inline(always)]
    fn add(self, other: Self) -> Self {
        Self {
            value: self.value + other.value,
            slopes: row!(k => self.slopes[k] + other.slopes[k]),
        }
    }
}

impl<const K: usize, B: Number> Sub for Dual<K, B> {
    type Output = Self;

    #[inline(always)]
    fn sub(self, other: Self) -> Self {
        Self {
            value: self.value - other.value,
            slopes: row!(k => self.slopes[k] - other.slopes[k]),
        }
    }
}

impl<const K: usize, B: Number> Mul for Dual<K, B> {
    type Output = Self;

    #[inline(always)]
    fn mul(self, other: Self) -> Self {
        Self {
            value: self.value * other.value,
            slopes: row!(k => self.slopes[k] * other.value + self.value * other.slopes[k]),
        }
    }
}

impl<const K: usize, B: Number> Div for Dual<K, B> {
    type Output = Self;

    #[inline(always)]
    fn div(self, other: Self) -> Self {
        // One division for all; the figure is then right to one unit in the last place or two.
        let inverse = B::constant(1.0) / other.value;
        let value = self.value * inverse;
        Self {
            value,
            slopes: row!(k => (self.slopes[k] - value * other.slopes[k]) * inverse),
        }
    }
}

impl<const K: usize, B: Number> Neg for Dual<K, B> {
    type Output = Self;

    #[inline(always)]
    fn neg(self) -> Self {
        Self {
            value: -self.value,
            slopes: row!(k => -self.slopes[k]),
        }
    }
}

impl<const K: usize, B: Number> Add<f64> for Dual<K, B> {
    type Output = Self;

    #[inline(always)]
    fn add(mut self, other: f64) -> Self {
        self.value = self.value + other;
        self
    }
}

impl<const K: usize, B: Number> Sub<f64> for Dual<K, B> {
    type Output = Self;

    #[inline(always)]
    fn sub(mut self, other: f64) -> Self {
        self.value = self.value - other;
        self
    }
}

impl<const K: usize, B: Number> Mul<f64> for Dual<K, B> {
    type Output = Self;

    #[inline(always)]
    fn mul(self, other: f64) -> Self {
        Self {
            value: self.value * other,
            slopes: row!(k => self.slopes[k] * other),
        }
    }
}

impl<const K: usize, B: Number> Div<f64> for Dual<K, B> {
    type Output = Self;

    #[inline(always)]
    fn div(self, other: f64) -> Self {
        let inverse = 1.0 / other;
        Self {
            value: self.value / other,
            slopes: row!(k => self.slopes[k] * inverse),
        }
    }
}

/// Several figures side by side, each worked out as if alone: what a processor does at once.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Lanes<const N: usize>(pub [f64; N]);

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
    type Figure = Self;

    #[inline(always)]
    fn constant(value: f64) -> Self {
        Self([value; N])
    }

    #[inline(always)]
    fn fixed(figure: Self) -> Self {
        figure
    }

    #[inline(always)]
    fn figure(self) -> Self {
        self
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

    #[inline(always)]
    fn choose_below(self, limit: f64, below: Self, otherwise: Self) -> Self {
        let mut found = [0.0; N];
        for i in 0..N {
            found[i] = self.0[i].choose_below(limit, below.0[i], otherwise.0[i]);
        }
        Self(found)
    }

    #[inline(always)]
    fn of_slope(self, function: impl Fn(f64) -> (f64, f64)) -> Self {
        self.each(|x| function(x).0)
    }

    #[inline(always)]
    fn chained(self, found: Dual<1, Self>) -> Self {
        found.value
    }
}

/// Numbers kept side by side. What is long is best worked out one after the other, in a loop that reads and writes them: a
/// compiler makes vector instructions of that.
pub trait SideBySide: Number {
    /// One of them.
    type One: Number<Figure = f64>;

    /// Whether each carries many derivatives.
    const MANY: bool;

    /// The one at a place.
    fn one(&self, i: usize) -> Self::One;

    /// Puts one in its place.
    fn put(&mut self, i: usize, one: Self::One);
}

impl<const N: usize> SideBySide for Lanes<N> {
    type One = f64;

    const MANY: bool = false;

    #[inline(always)]
    fn one(&self, i: usize) -> f64 {
        self.0[i]
    }

    #[inline(always)]
    fn put(&mut self, i: usize, one: f64) {
        self.0[i] = one;
    }
}

impl<const K: usize, const N: usize> SideBySide for Dual<K, Lanes<N>> {
    type One = Dual<K>;

    const MANY: bool = K > 3;

    #[inline(always)]
    fn one(&self, i: usize) -> Dual<K> {
        let mut slopes = [0.0; K];
        for k in 0..K {
            slopes[k] = self.slopes[k].0[i];
        }
        Dual {
            value: self.value.0[i],
            slopes,
        }
    }

    #[inline(always)]
    fn put(&mut self, i: usize, one: Dual<K>) {
        self.value.0[i] = one.value;
        for k in 0..K {
            self.slopes[k].0[i] = one.slopes[k];
        }
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
            let plain = tangled(x, y);
            prop_assert!((found.value - plain).abs() <= 1e-13 * (1.0 + plain.abs()), "{found:?} {plain}");
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
