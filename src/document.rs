//! What every JSON document has in common.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// The program that made a document.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Program {
    /// `groovelag`.
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

/// A document as one JSON text with a line break at its end.
pub fn json<T: Serialize>(document: &T) -> Result<String, serde_json::Error> {
    serde_json::to_string_pretty(document).map(|text| text + "\n")
}

/// A document as one line of JSON with a line break at its end.
pub fn json_line<T: Serialize>(document: &T) -> Result<String, serde_json::Error> {
    serde_json::to_string(document).map(|text| text + "\n")
}
