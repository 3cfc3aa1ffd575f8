//! Captures and priors into rotations, cuts, levers and skews.
