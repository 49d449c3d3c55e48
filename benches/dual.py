"""Columns of figures that carry their derivatives along, in NumPy."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from plant import Array

# A column, with derivatives or without, or one figure.
Figures = Any


@dataclass(frozen=True, slots=True)
class Dual:
    """A column, and its derivatives: a row for each quantity."""

    # So that NumPy leaves `array * dual` to the dual.
    __array_ufunc__ = None

    value: Array
    slopes: Array

    def chain(self, value: Array, slope: Figures) -> Dual:
        """A function of it, by its figures and its derivative."""
        return Dual(value, slope * self.slopes)

    def __add__(self, other: Figures) -> Dual:
        if isinstance(other, Dual):
            return Dual(self.value + other.value, self.slopes + other.slopes)
        return Dual(self.value + other, self.slopes)

    __radd__ = __add__

    def __sub__(self, other: Figures) -> Dual:
        if isinstance(other, Dual):
            return Dual(self.value - other.value, self.slopes - other.slopes)
        return Dual(self.value - other, self.slopes)

    def __rsub__(self, other: Figures) -> Dual:
        return Dual(other - self.value, -self.slopes)

    def __mul__(self, other: Figures) -> Dual:
        if isinstance(other, Dual):
            slopes = self.slopes * other.value
            slopes += self.value * other.slopes
            return Dual(self.value * other.value, slopes)
        return Dual(self.value * other, self.slopes * other)

    __rmul__ = __mul__

    def __truediv__(self, other: Figures) -> Dual:
        if isinstance(other, Dual):
            inverse = 1.0 / other.value
            value = self.value * inverse
            slopes = value * other.slopes
            np.subtract(self.slopes, slopes, out=slopes)
            slopes *= inverse
            return Dual(value, slopes)
        inverse = 1.0 / other
        return Dual(self.value * inverse, self.slopes * inverse)

    def __rtruediv__(self, other: Figures) -> Dual:
        value = other / self.value
        return self.chain(value, -value / self.value)


def exp(x: Figures) -> Figures:
    if isinstance(x, Dual):
        value = np.exp(x.value)
        return x.chain(value, value)
    return np.exp(x)


def log(x: Figures) -> Figures:
    if isinstance(x, Dual):
        return x.chain(np.log(x.value), 1.0 / x.value)
    return np.log(x)


def value(x: Figures) -> Figures:
    """The figures alone."""
    return x.value if isinstance(x, Dual) else x
