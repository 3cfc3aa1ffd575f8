//! Recordings into blocks of stereo samples.
