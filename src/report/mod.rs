//! Views of results: they format, never compute, and write no files.

pub mod bands;
pub mod calibration;
pub mod check;
pub mod cutting;
mod follow;
pub mod instruction;
mod measurement;
pub mod page;
pub mod picture;
pub mod sentence;
pub mod sketch;
pub mod solution;
pub mod start;
pub mod text;
pub mod turntable;
pub mod verification;

pub use crate::job::Measurement;
pub use crate::session::{PreviousStretch, RecentEstimate, StreamEstimate};
pub use calibration::CalibrationReport;
pub use follow::last_word;
