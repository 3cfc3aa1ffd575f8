//! Generic weighted least squares with priors; knows no domain.
