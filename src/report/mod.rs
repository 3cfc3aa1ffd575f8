//! Views of results: documents and text. Nothing is computed here.

pub mod solution;
mod text;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// What made a document.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Program {
    /// Its name.
    pub name: String,
    /// Its version.
    pub version: String,
}

impl Program {
    /// This program.
    pub fn this() -> Self {
        Self {
            name: env!("CARGO_PKG_NAME").to_owned(),
            version: env!("CARGO_PKG_VERSION").to_owned(),
        }
    }
}
