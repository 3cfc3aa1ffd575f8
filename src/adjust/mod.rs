//! Nonlinear weighted least squares in which a prior is one more block. It does
//! not depend on the meaning of the unknowns.
//!
//! # Formulation
//!
//! There is one kind of [`Block`]: it predicts a vector `g(x)` from a few
//! unknowns and holds an information matrix `A` (possibly singular) with a
//! vector `b`, so that it contributes `1/2 g' A g - b' g + const` to the cost.
//! A prior predicts its unknowns themselves and has the inverse of a
//! covariance for its matrix. The constant is chosen such that the cost is
//! half the block's chi-square. Errors of different blocks are taken to be
//! uncorrelated; within a block `A` says how they correlate. Nothing is ever
//! rescaled by the residuals.
//!
//! The minimum is sought by Gauss-Newton steps, damped (Levenberg-Marquardt) when a full step does not
//! reduce the cost. Where convergence is slow it takes Newton steps, with the models' second
//! derivatives. The covariance is `C = (sum J'AJ)^-1`, and the variance of any combination `c'x` splits
//! over the blocks as `c'C J_b' A_b J_b C c`, which adds up to `c'Cc` without inverting any `A_b`.

mod coefficients;
mod fieller;
mod linalg;
mod marginal;
mod part;
mod problem;
mod sample;
mod scatter;
mod sparse;

pub use coefficients::Coefficients;
pub use fieller::FittedLine;
pub use linalg::{Cholesky, symmetric_eigen};
pub use marginal::Marginal;
pub use part::SubProblem;
pub use problem::{
    AdjustError, BiasTest, Block, BlockKind, Determined, Linearisation, Minimum, Problem,
    Termination, Unknown,
};
pub use sample::Sample;
pub use scatter::paule_mandel;
