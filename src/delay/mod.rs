//! Cross-spectral matrices into information about the delay.
//!
//! [`estimate`] finds the offset roughly by generalised cross-correlation,
//! then fits the phase model ([`phase`]) weighted by coherence, finds its
//! random uncertainty both analytically and by leaving out groups of frames,
//! and returns the information over named terms, before priors.

mod band;
mod cartridge;
mod coarse;
mod estimate;
mod information;
mod jackknife;
mod limits;
pub mod phase;
mod step;

pub(crate) use cartridge::with_response;
pub use cartridge::{CartridgeResponse, is_response};
pub use coarse::CrossCorrelation;
pub use estimate::{BandShift, CurvePoint, DelayEstimate, EstimateSettings, Refusal, estimate};
pub use information::{Information, Node, Owner, Side, Term, crosstalk_phase_term};
pub use jackknife::GroupDelay;

#[cfg(test)]
mod tests;
