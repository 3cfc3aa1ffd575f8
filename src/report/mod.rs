//! Views of results: they format, never compute, and write no files.

mod measurement;
pub mod text;

pub use measurement::Measurement;
