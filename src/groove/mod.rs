//! Geometry of stylus, groove and arm; knows no audio.
