//! What comes from outside, made safe: small files read within bounds, text that
//! steers no terminal and breaks no document, and which names lead to one file.

mod file;
mod identity;
mod text;

pub use file::{LARGEST_BYTES, ReadError, read, read_text, without_content};
pub use identity::Identity;
pub use text::{SafeJson, in_json, is_unsafe, nearest, on_one_line, shown};
