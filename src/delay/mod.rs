//! Cross-spectral matrices into information about the delay.

mod information;

pub use information::{Information, Node, Owner, Side, Term};
