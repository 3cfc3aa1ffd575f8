//! Calibration of the electronics and of crosstalk.
