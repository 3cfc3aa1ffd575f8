//! Blocks of samples into 2 x 2 cross-spectral matrices.
