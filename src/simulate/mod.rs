//! Captures with known truth.
