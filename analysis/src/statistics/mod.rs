//! Robust estimates, intervals, change points: pure functions on numbers.
