//! Views of results: they format, never compute.
