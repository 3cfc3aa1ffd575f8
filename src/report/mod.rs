//! Views of results: they format, never compute, and write no files.

mod document;
mod measurement;
pub mod text;

pub use document::{Program, json};
pub use measurement::Measurement;
