//! Blocks, their joint minimum and its statistics.

use super::coefficients::Coefficients;
use super::linalg::{Cholesky, symmetric_eigen};
use super::sparse::{Factor, Pattern, Symmetric};
use crate::uncertainty::chi_square_upper_tail;
use ndarray::{Array1, Array2, ArrayView1};
use rayon::prelude::*;
use std::collections::BTreeMap;
use std::sync::{Arc, OnceLock};
use thiserror::Error;

/// An eigenvalue below this share of the largest (after scaling to a unit
/// diagonal) is taken as zero: above the rounding of sums of a few thousand
/// products of f64, far below any information worth having.
const RANK_TOLERANCE: f64 = 1e-11;

/// A matrix (scaled to a unit diagonal) has full rank where all of its factor's diagonal is larger than this: its
/// smallest eigenvalue is hardly smaller than the least of their squares, far above [`RANK_TOLERANCE`].
const WELL_CONDITIONED: f64 = 1e-4;

/// Most unknowns of a full matrix: it has 8 bytes for each pair, 800 MB.
pub(super) const MOST_UNKNOWNS: usize = 10_000;

/// Maximum number of iterations, reported as [`Termination::IterationLimit`]. A
/// problem with sensible starting values needs fewer than ten; common practice,
/// no source.
const ITERATION_LIMIT: usize = 200;

/// A step shorter than this many standard uncertainties ends the search.
const STEP_TOLERANCE: f64 = 1e-9;

/// Maximum number of iterations on a constraint, where four or five are usual;
/// far out in a tail, where convergence is slow, the cost reached is an upper
/// bound.
const COARSE_ITERATION_LIMIT: usize = 100;

/// A step shorter than this ends the search on a constraint, where only
/// chi-square is wanted: it is off
/// by less than the square of this.
const COARSE_STEP_TOLERANCE: f64 = 1e-4;

/// Ratio of successive Gauss-Newton steps above which convergence is slow: thirty more such steps would not end
/// the search, so the curvature is included (Newton's method).
const SLOW_CONVERGENCE: f64 = 0.5;

/// Step of the central difference of Jacobians for that curvature, in standard uncertainties of priors: its
/// truncation error is its square and its rounding error 1e-16 over it, both far below what a step needs.
const CURVATURE_STEP: f64 = 1e-3;

/// Number of blocks from which they are evaluated on all threads: some milliseconds of work.
const PARALLEL_BLOCKS: usize = 2_000;

/// Relative decrease of chi-square below which a step is lost in the rounding
/// of its sum (a few hundred additions of f64).
const ROUNDING: f64 = 1e-13;

/// An unknown: name, starting value, and natural scale (its prior standard
/// uncertainty where it has one).
#[derive(Debug, Clone, PartialEq)]
pub struct Unknown {
    /// Name, for messages.
    pub name: String,
    /// Starting value.
    pub start: f64,
    /// Positive; only conditioning and "determined by" depend on it.
    pub scale: f64,
}

/// Whether a block counts as data or as prior knowledge.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum BlockKind {
    /// An observation.
    Data,
    /// Prior knowledge.
    Prior,
}

/// Predictions of a block with their Jacobian: one row per prediction and one
/// column per unknown of the block.
#[derive(Debug, Clone, PartialEq)]
pub struct Linearisation {
    /// Predictions.
    pub values: Array1<f64>,
    /// Derivatives by the block's unknowns.
    pub jacobian: Array2<f64>,
}

type Model<'a> = Box<dyn Fn(&[f64]) -> Linearisation + Send + Sync + 'a>;

/// One block of the cost; see the module's documentation.
pub struct Block<'a> {
    label: String,
    kind: BlockKind,
    unknowns: Vec<usize>,
    information: Array2<f64>,
    target: Array1<f64>,
    rank: usize,
    /// `None`: the block predicts its unknowns themselves.
    model: Option<Model<'a>>,
}

/// Why an adjustment could not be set up or solved.
#[derive(Debug, Clone, PartialEq, Error)]
pub enum AdjustError {
    /// A matrix is not symmetric, positive definite or of the right size.
    #[error("{block}: the {what} is not finite, symmetric and positive; check its uncertainties")]
    Matrix {
        /// The block's label.
        block: String,
        /// Which matrix.
        what: &'static str,
    },
    /// The starting values give no finite prediction.
    #[error("{block}: the starting values give no finite prediction; check the values given")]
    NotFinite {
        /// The first such block's label.
        block: String,
    },
    /// A full matrix of them would not fit into an ordinary machine.
    #[error(
        "{unknowns} unknowns are too many to {what}; the most is {MOST_UNKNOWNS}: split the job, and include in one what the others have learned"
    )]
    TooMany {
        /// How many there are.
        unknowns: usize,
        /// For what.
        what: &'static str,
    },
    /// Data and priors together do not determine a combination of unknowns.
    #[error("data and priors together do not determine {unknown}; give it a prior")]
    Singular {
        /// An unknown that is not determined.
        unknown: String,
    },
}

impl<'a> Block<'a> {
    /// A block of data over `unknowns` (indices into the problem's list) whose
    /// cost is `1/2 g' information g - vector' g` in the predictions `g` of
    /// `model`. The information may be singular.
    pub fn data(
        label: impl Into<String>,
        unknowns: Vec<usize>,
        information: Array2<f64>,
        vector: &Array1<f64>,
        model: impl Fn(&[f64]) -> Linearisation + Send + Sync + 'a,
    ) -> Result<Self, AdjustError> {
        let label = label.into();
        let Some((target, rank)) = generalised_solution(&information, vector) else {
            return Err(AdjustError::Matrix {
                block: label,
                what: "information matrix",
            });
        };
        Ok(Self {
            label,
            kind: BlockKind::Data,
            unknowns,
            information,
            target,
            rank,
            model: Some(Box::new(model)),
        })
    }

    /// A prior on `unknowns` by `information`, which may be singular, and its `vector`.
    pub(super) fn known(
        label: impl Into<String>,
        unknowns: Vec<usize>,
        information: Array2<f64>,
        vector: &Array1<f64>,
    ) -> Result<Self, AdjustError> {
        let known = Self::data(label, unknowns, information, vector, |own| Linearisation {
            values: Array1::from_vec(own.to_vec()),
            jacobian: Array2::eye(own.len()),
        })?;
        Ok(Self {
            model: None,
            ..known
        })
    }

    /// A prior on `unknowns`: `values` with their `covariance`.
    pub fn prior(
        label: impl Into<String>,
        unknowns: Vec<usize>,
        values: Array1<f64>,
        covariance: &Array2<f64>,
    ) -> Result<Self, AdjustError> {
        let label = label.into();
        let matrix = |block: &str| AdjustError::Matrix {
            block: block.to_owned(),
            what: "covariance",
        };
        if values.iter().any(|v| !v.is_finite()) || !is_symmetric(covariance) {
            return Err(matrix(&label));
        }
        // scaled to a unit diagonal, so that units do not matter
        let u: Array1<f64> = covariance.diag().mapv(f64::sqrt);
        let scaled = Array2::from_shape_fn(covariance.dim(), |(i, j)| {
            covariance[[i, j]] / (u[i] * u[j])
        });
        let factor = Cholesky::new(&scaled).ok_or_else(|| matrix(&label))?;
        let mut information = factor.inverse();
        for ((i, j), value) in information.indexed_iter_mut() {
            *value /= u[i] * u[j];
        }
        Ok(Self {
            rank: unknowns.len(),
            label,
            kind: BlockKind::Prior,
            unknowns,
            information,
            target: values,
            model: None,
        })
    }

    /// Prior knowledge of one linear combination, `coefficients' unknowns = value`,
    /// with the standard uncertainty `u` (positive).
    pub fn relation(
        label: impl Into<String>,
        unknowns: Vec<usize>,
        coefficients: Vec<f64>,
        value: f64,
        u: f64,
    ) -> Result<Self, AdjustError> {
        let information = Array2::from_elem((1, 1), u.powi(-2));
        let vector = Array1::from_elem(1, value * u.powi(-2));
        let row = Array1::from_vec(coefficients);
        let model = move |own: &[f64]| Linearisation {
            values: Array1::from_elem(1, row.iter().zip(own).map(|(c, x)| c * x).sum()),
            jacobian: row.clone().insert_axis(ndarray::Axis(0)),
        };
        Ok(Self {
            kind: BlockKind::Prior,
            ..Self::data(label, unknowns, information, &vector, model)?
        })
    }

    /// Name of the block.
    pub fn label(&self) -> &str {
        &self.label
    }

    /// Data or prior.
    pub fn kind(&self) -> BlockKind {
        self.kind
    }

    /// The unknowns it depends on.
    pub fn unknowns(&self) -> &[usize] {
        &self.unknowns
    }

    /// Its information matrix.
    pub fn information(&self) -> &Array2<f64> {
        &self.information
    }

    /// The values its information stands for, `A^+ b`.
    pub fn target(&self) -> &Array1<f64> {
        &self.target
    }

    /// Its prediction at `x`, the values of *all* unknowns.
    pub fn evaluate(&self, x: &[f64]) -> Linearisation {
        let own: Vec<f64> = self.unknowns.iter().map(|&k| x[k]).collect();
        self.evaluate_at(&own)
    }

    /// The same at the values of its own unknowns.
    fn evaluate_at(&self, own: &[f64]) -> Linearisation {
        match &self.model {
            Some(model) => model(own),
            None => Linearisation {
                jacobian: Array2::eye(own.len()),
                values: Array1::from_vec(own.to_vec()),
            },
        }
    }

    /// Its chi-square at a prediction.
    fn chi_square(&self, values: &Array1<f64>) -> f64 {
        let misfit = values - &self.target;
        misfit.dot(&self.information.dot(&misfit))
    }

    /// The same block on other unknowns, in the same order.
    pub(super) fn on<'b>(&'b self, unknowns: Vec<usize>) -> Block<'b> {
        let model = self.model.as_ref();
        Block {
            label: self.label.clone(),
            kind: self.kind,
            unknowns,
            information: self.information.clone(),
            target: self.target.clone(),
            rank: self.rank,
            model: model.map(|model| Box::new(move |own: &[f64]| model(own)) as Model<'b>),
        }
    }

    /// Its contribution to the variance of a combination; `gain` holds the covariances of all unknowns with
    /// the combination.
    fn variance_part(&self, jacobian: &Array2<f64>, gain: impl Fn(usize) -> f64) -> f64 {
        if let (&[k], None) = (self.unknowns.as_slice(), &self.model) {
            return self.information[[0, 0]] * gain(k) * gain(k);
        }
        let along = |row: ArrayView1<'_, f64>| -> f64 {
            let own = self.unknowns.iter().zip(row);
            own.map(|(&k, slope)| slope * gain(k)).sum()
        };
        let effect: Array1<f64> = jacobian.rows().into_iter().map(along).collect();
        effect.dot(&self.information.dot(&effect))
    }

    fn chi_square_at(&self, x: &[f64]) -> f64 {
        self.chi_square(&self.evaluate(x).values)
    }
}

/// Logarithm of the determinant of a positive definite matrix.
fn log_determinant(matrix: &Array2<f64>) -> f64 {
    let size = matrix.diag().mapv(f64::sqrt);
    let scaled = Array2::from_shape_fn(matrix.dim(), |(i, j)| matrix[[i, j]] / (size[i] * size[j]));
    let of_scaled = Cholesky::new(&scaled).map_or(f64::NEG_INFINITY, |f| f.log_determinant());
    of_scaled + 2.0 * size.mapv(f64::ln).sum()
}

fn is_symmetric(matrix: &Array2<f64>) -> bool {
    let n = matrix.nrows();
    matrix.is_square()
        && matrix.iter().all(|v| v.is_finite())
        && (0..n).all(|i| {
            (0..i).all(|j| {
                let size = (matrix[[i, i]] * matrix[[j, j]]).abs().sqrt();
                (matrix[[i, j]] - matrix[[j, i]]).abs() <= 1e-9 * size
            })
        })
}

/// `A^+ b` and the rank of `A`, which must be positive semidefinite.
fn generalised_solution(a: &Array2<f64>, b: &Array1<f64>) -> Option<(Array1<f64>, usize)> {
    if !is_symmetric(a) || a.nrows() != b.len() || b.iter().any(|v| !v.is_finite()) {
        return None;
    }
    let size = a.diag().mapv(|d| if d > 0.0 { d.sqrt() } else { 1.0 });
    let scaled = Array2::from_shape_fn(a.dim(), |(i, j)| a[[i, j]] / (size[i] * size[j]));
    let right = b / &size;
    if let Some(factor) = Cholesky::new(&scaled).filter(|f| f.least_pivot() > WELL_CONDITIONED) {
        return Some((factor.solve(&right) / size, b.len()));
    }
    let (values, vectors) = symmetric_eigen(&scaled);
    let largest = values.iter().fold(0.0, |m: f64, v| m.max(v.abs()));
    if values.iter().any(|&v| v < -1e-6 * largest) {
        return None;
    }
    let mut solution = Array1::zeros(b.len());
    let mut rank = 0;
    for (k, &value) in values.iter().enumerate() {
        if value > RANK_TOLERANCE * largest {
            let vector = vectors.column(k);
            solution.scaled_add(vector.dot(&right) / value, &vector);
            rank += 1;
        }
    }
    Some((solution / size, rank))
}

/// Unknowns and blocks.
pub struct Problem<'a> {
    unknowns: Vec<Unknown>,
    blocks: Vec<Block<'a>>,
    /// Which unknowns share a block.
    pattern: Arc<Pattern>,
    /// Per block, the entry of the normal matrix of each pair of its unknowns
    /// in turn (the second never after the first).
    entries: Vec<Vec<usize>>,
    /// The blocks of each unknown, computed on demand.
    incidence: OnceLock<Incidence>,
}

/// By unknown, the blocks that it is in.
pub(super) struct Incidence {
    /// With others.
    pub(super) joint: Vec<Vec<usize>>,
    /// Alone.
    pub(super) alone: Vec<Vec<usize>>,
}

/// How a search ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Termination {
    /// The last step was shorter than 1e-9 standard uncertainties.
    Converged,
    /// No step lowers the cost: the minimum to rounding.
    Rounding,
    /// The iteration limit was reached; do not trust the values.
    IterationLimit,
}

/// Source of an unknown's value.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
#[serde(rename_all = "lowercase")]
pub enum Determined {
    /// The data alone determine it better than its prior.
    Data,
    /// The data reduce its prior variance by less than one percent.
    Prior,
    /// Data and priors together.
    Both,
}

impl Determined {
    /// By the ratio of posterior to prior variance.
    pub(crate) fn relative_to_prior(left: f64) -> Self {
        match 1.0 - left < 0.01 {
            true => Self::Prior,
            false => Self::Both,
        }
    }
}

/// A test for a bias of one prediction of one block (Baarda's w-test) against
/// all other information.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct BiasTest {
    /// Target minus what all *other* information predicts for it.
    pub leave_one_out: f64,
    /// Its standard uncertainty.
    pub uncertainty: f64,
    /// Their ratio.
    pub normalised: f64,
}

/// The minimum and its neighbourhood.
#[derive(Debug, Clone)]
pub struct Minimum {
    /// Values of the unknowns.
    pub values: Vec<f64>,
    /// Covariance of the unknowns; `None` for a minimum on a constraint.
    covariance: Option<Arc<Covariance>>,
    /// Chi-square of all blocks, priors included.
    pub chi_square: f64,
    /// Sum of the blocks' ranks minus the number of unknowns.
    pub degrees_of_freedom: usize,
    /// Probability of a larger chi-square; `None` without degrees of freedom.
    pub p_value: Option<f64>,
    /// How the search ended.
    pub termination: Termination,
    /// Iterations used.
    pub iterations: usize,
    /// Logarithm of the determinant of the normal matrix in scaled unknowns,
    /// within the constraint if there is one.
    pub(super) log_determinant: f64,
    /// The blocks' Jacobians, computed on demand.
    jacobians: OnceLock<Vec<Array2<f64>>>,
}

/// The covariance of the unknowns: stored for pairs in the pattern, computed from the factor for others.
#[derive(Debug)]
struct Covariance {
    factor: Factor,
    /// Its entries in the pattern, in scaled unknowns, computed on demand.
    selected: OnceLock<Symmetric>,
    scales: Vec<f64>,
}

impl Covariance {
    /// Of two unknowns in the pattern.
    fn of(&self, i: usize, j: usize) -> Option<f64> {
        let entry = self.factor.pattern().entry_of(i, j)?;
        let selected = self.selected.get_or_init(|| self.factor.selected_inverse());
        Some(selected.values[entry] * self.scales[i] * self.scales[j])
    }

    /// Of every unknown with a combination.
    fn gain(&self, combination: &Coefficients) -> Array1<f64> {
        let mut scaled = Array1::zeros(self.scales.len());
        for (k, c) in combination.terms() {
            scaled[k] = c * self.scales[k];
        }
        let mut gain = self.factor.solve(&scaled);
        gain.iter_mut().zip(&self.scales).for_each(|(g, s)| *g *= s);
        gain
    }
}

impl Minimum {
    fn whole(&self) -> &Covariance {
        let covariance = self.covariance.as_ref();
        covariance.expect("a minimum without constraint has its covariance")
    }

    /// Covariance of two unknowns.
    pub fn covariance(&self, i: usize, j: usize) -> f64 {
        let whole = self.whole();
        let by_solving = || whole.gain(&Coefficients::unit(i))[j];
        whole.of(i, j).unwrap_or_else(by_solving)
    }

    /// Covariance of an unknown with all.
    pub fn covariances(&self, unknown: usize) -> Array1<f64> {
        self.gain(&Coefficients::unit(unknown))
    }

    /// Standard uncertainty of an unknown.
    pub fn uncertainty(&self, unknown: usize) -> f64 {
        self.covariance(unknown, unknown).sqrt()
    }

    /// Pairs of unknowns with an entry in the pattern: those that share a block, and the fill-in.
    pub fn pairs(&self) -> impl Iterator<Item = (usize, usize)> {
        self.whole().factor.pattern().pairs()
    }

    /// Covariance of two combinations.
    pub fn covariance_of(&self, a: &Coefficients, b: &Coefficients) -> f64 {
        let whole = self.whole();
        let pairs = a
            .terms()
            .flat_map(|(i, p)| b.terms().map(move |(j, q)| (i, j, p * q)));
        let at_hand: Option<f64> = pairs
            .map(|(i, j, product)| Some(product * whole.of(i, j)?))
            .sum();
        at_hand.unwrap_or_else(|| b.at(whole.gain(a).as_slice().unwrap_or_default()))
    }

    /// Variance of a combination.
    pub fn variance(&self, combination: &Coefficients) -> f64 {
        self.covariance_of(combination, combination)
    }

    /// Covariance of every unknown with a combination.
    pub(super) fn gain(&self, combination: &Coefficients) -> Array1<f64> {
        self.whole().gain(combination)
    }
}

struct Normal {
    chi_square: f64,
    gradient: Array1<f64>,
    matrix: Symmetric,
}

impl Normal {
    fn is_finite(&self) -> bool {
        self.chi_square.is_finite()
            && self
                .gradient
                .iter()
                .chain(&self.matrix.values)
                .all(|v| v.is_finite())
    }
}

impl<'a> Problem<'a> {
    /// Sets up a problem; blocks refer to `unknowns` by index.
    ///
    /// # Panics
    ///
    /// When a block refers to an unknown that does not exist, which is a
    /// programming error.
    pub fn new(unknowns: Vec<Unknown>, blocks: Vec<Block<'a>>) -> Self {
        let n = unknowns.len();
        for block in &blocks {
            for &i in &block.unknowns {
                assert!(i < n, "block '{}' has no unknown {i}", block.label);
            }
        }
        let groups = blocks.iter().map(|b| b.unknowns.as_slice());
        let pattern = Arc::new(Pattern::new(n, groups));
        let entries = blocks.iter().map(|b| {
            let pairs = b.unknowns.iter().enumerate();
            pairs
                .flat_map(|(a, &i)| b.unknowns[..=a].iter().map(move |&j| (i, j)))
                .map(|(i, j)| pattern.entry(i, j))
                .collect()
        });
        Self {
            entries: entries.collect(),
            unknowns,
            blocks,
            pattern,
            incidence: OnceLock::new(),
        }
    }

    /// The unknowns.
    pub fn unknowns(&self) -> &[Unknown] {
        &self.unknowns
    }

    /// Which blocks each unknown is in.
    pub(super) fn incidence(&self) -> &Incidence {
        self.incidence.get_or_init(|| {
            let [mut joint, mut alone] = [(); 2].map(|()| vec![Vec::new(); self.unknowns.len()]);
            for (b, block) in self.blocks.iter().enumerate() {
                match block.unknowns[..] {
                    [k] => alone[k].push(b),
                    _ => block.unknowns.iter().for_each(|&k| joint[k].push(b)),
                }
            }
            Incidence { joint, alone }
        })
    }

    /// The blocks.
    pub fn blocks(&self) -> &[Block<'a>] {
        &self.blocks
    }

    /// Chi-square of all blocks at `x`, priors included.
    pub fn chi_square(&self, x: &[f64]) -> f64 {
        self.blocks.iter().map(|b| b.chi_square_at(x)).sum()
    }

    /// `J' A J` of one block at `x`, over the block's own unknowns.
    fn block_information(&self, block: &Block<'_>, x: &[f64]) -> Array2<f64> {
        let jacobian = block.evaluate(x).jacobian;
        jacobian.t().dot(&block.information.dot(&jacobian))
    }

    /// Normal equations in scaled unknowns at `x`.
    fn normal(&self, x: &[f64]) -> Normal {
        let n = self.unknowns.len();
        let mut normal = Normal {
            chi_square: 0.0,
            gradient: Array1::zeros(n),
            matrix: self.pattern.zeros(),
        };
        let mut weighted = Vec::new();
        let mut evaluations = self.by_model(|block| block.evaluate(x)).into_iter();
        for (block, entries) in self.blocks.iter().zip(&self.entries) {
            let mut entries = entries.iter();
            if block.model.is_none() {
                // of the unknowns themselves: no matrices for those
                for (a, &i) in block.unknowns.iter().enumerate() {
                    let row = block.information.row(a);
                    let misfit = |b: usize| x[block.unknowns[b]] - block.target[b];
                    let pull: f64 = row.iter().enumerate().map(|(b, w)| w * misfit(b)).sum();
                    let scale = self.unknowns[i].scale;
                    normal.chi_square += misfit(a) * pull;
                    normal.gradient[i] += scale * pull;
                    for ((&j, weight), &entry) in
                        block.unknowns[..=a].iter().zip(row).zip(&mut entries)
                    {
                        normal.matrix.values[entry] += scale * self.unknowns[j].scale * weight;
                    }
                }
                continue;
            }
            let Some(Linearisation { values, jacobian }) = evaluations.next() else {
                continue;
            };
            let misfit = &values - &block.target;
            let pull = block.information.dot(&misfit);
            normal.chi_square += misfit.dot(&pull);
            // a prediction or a few of some ten unknowns: plain loops are
            // several times faster than a library's product of matrices here
            let rows = values.len();
            for (a, &i) in block.unknowns.iter().enumerate() {
                let si = self.unknowns[i].scale;
                let along = |r: usize| si * jacobian[[r, a]];
                normal.gradient[i] += (0..rows).map(|r| along(r) * pull[r]).sum::<f64>();
                weighted.clear();
                weighted.extend((0..rows).map(|c| {
                    (0..rows)
                        .map(|r| along(r) * block.information[[r, c]])
                        .sum::<f64>()
                }));
                for ((b, &j), &entry) in block.unknowns[..=a].iter().enumerate().zip(&mut entries) {
                    let product: f64 = (0..rows).map(|c| weighted[c] * jacobian[[c, b]]).sum();
                    normal.matrix.values[entry] += self.unknowns[j].scale * product;
                }
            }
        }
        normal
    }

    /// Adds the second-order term of the Hessian to normal equations at `x`: the models' second derivatives
    /// times the weighted residuals.
    fn add_curvature(&self, x: &[f64], matrix: &mut Symmetric) {
        let bends = self.by_model(|block| self.curvature(block, x));
        let blocks = self.blocks.iter().zip(&self.entries);
        let with_model = blocks.filter(|(block, _)| block.model.is_some());
        for ((_, entries), bends) in with_model.zip(bends) {
            let mut entries = entries.iter();
            for a in 0..bends.nrows() {
                for (b, &entry) in (0..=a).zip(&mut entries) {
                    let bend = 0.5 * (bends[[a, b]] + bends[[b, a]]);
                    if bend.is_finite() {
                        matrix.values[entry] += bend;
                    }
                }
            }
        }
    }

    /// The second derivatives of a block's prediction times its residuals' weights, in scaled unknowns.
    fn curvature(&self, block: &Block<'_>, x: &[f64]) -> Array2<f64> {
        let mut own: Vec<f64> = block.unknowns.iter().map(|&k| x[k]).collect();
        let scale = |a: usize| self.unknowns[block.unknowns[a]].scale;
        let misfit = &block.evaluate_at(&own).values - &block.target;
        let pull = block.information.dot(&misfit);
        let mut bends = Array2::<f64>::zeros((own.len(), own.len()));
        for b in 0..own.len() {
            let at = own[b];
            let [above, below] = [CURVATURE_STEP, -CURVATURE_STEP].map(|by| {
                own[b] = at + by * scale(b);
                block.evaluate_at(&own).jacobian.t().dot(&pull)
            });
            own[b] = at;
            let slopes = (above - below) / (2.0 * CURVATURE_STEP);
            for (a, slope) in slopes.iter().enumerate() {
                bends[[b, a]] = slope * scale(a);
            }
        }
        bends
    }

    /// Evaluates a function of each block that has a model, in order; on all threads where there are many.
    fn by_model<T: Send>(&self, of: impl Fn(&Block<'_>) -> T + Sync) -> Vec<T> {
        let with_model = |block: &&Block<'_>| block.model.is_some();
        match self.blocks.len() > PARALLEL_BLOCKS {
            true => self.blocks.par_iter().filter(with_model).map(&of).collect(),
            false => self.blocks.iter().filter(with_model).map(&of).collect(),
        }
    }

    /// Finds the minimum from the unknowns' starting values.
    pub fn solve(&self) -> Result<Minimum, AdjustError> {
        let start = self.unknowns.iter().map(|u| u.start).collect();
        let (mut solution, factor) = self.minimise(start, None)?;
        solution.covariance = Some(self.covariance(factor));
        Ok(solution)
    }

    /// The minimum of data that agree with the starting values: linearises
    /// there without a search.
    pub fn linearised(&self) -> Result<Minimum, AdjustError> {
        self.bounded()?;
        let x: Vec<f64> = self.unknowns.iter().map(|u| u.start).collect();
        let normal = self.normal(&x);
        if !normal.is_finite() {
            return Err(self.not_finite(&x));
        }
        let factor = self.factor(&normal)?;
        let mut solution = self.describe(x, &normal, Termination::Converged, 0);
        solution.log_determinant = factor.log_determinant();
        solution.covariance = Some(self.covariance(factor));
        Ok(solution)
    }

    /// The lower triangle of the normal matrix at `x`, `sum J'AJ`, row, column and value of each entry that is
    /// not zero: for other solvers.
    pub fn normal_matrix(&self, x: &[f64]) -> Vec<(usize, usize, f64)> {
        let normal = self.normal(x);
        let own = (0..self.unknowns.len()).map(|k| (k, k));
        let met = self.pattern.pairs().map(|(i, j)| (i.max(j), i.min(j)));
        let entries = own.chain(met).map(|(i, j)| {
            let scales = self.unknowns[i].scale * self.unknowns[j].scale;
            (
                i,
                j,
                normal.matrix.values[self.pattern.entry(i, j)] / scales,
            )
        });
        entries.filter(|&(.., value)| value != 0.0).collect()
    }

    fn bounded(&self) -> Result<(), AdjustError> {
        let unknowns = self.pattern.size_of_full();
        match unknowns > MOST_UNKNOWNS {
            true => Err(AdjustError::TooMany {
                unknowns,
                what: "be shared by all captures",
            }),
            false => Ok(()),
        }
    }

    fn factor(&self, normal: &Normal) -> Result<Factor, AdjustError> {
        let factor = normal.matrix.clone().factor(&self.pattern);
        factor.ok_or_else(|| self.singular(normal.matrix.clone()))
    }

    fn covariance(&self, factor: Factor) -> Arc<Covariance> {
        Arc::new(Covariance {
            scales: self.unknowns.iter().map(|u| u.scale).collect(),
            selected: OnceLock::new(),
            factor,
        })
    }

    /// A combination's coefficients for scaled unknowns.
    pub(super) fn scaled(&self, combination: &Coefficients) -> Array1<f64> {
        let mut scaled = combination.dense(self.unknowns.len());
        for (k, _) in combination.terms() {
            scaled[k] *= self.unknowns[k].scale;
        }
        scaled
    }

    fn not_finite(&self, x: &[f64]) -> AdjustError {
        let block = self.blocks.iter().find(|b| {
            let e = b.evaluate(x);
            !e.values.iter().chain(&e.jacobian).all(|v| v.is_finite())
        });
        AdjustError::NotFinite {
            block: block.map_or("adjustment", |b| b.label()).to_owned(),
        }
    }

    /// A solution without covariance and determinant.
    fn describe(
        &self,
        values: Vec<f64>,
        normal: &Normal,
        termination: Termination,
        iterations: usize,
    ) -> Minimum {
        let ranks: usize = self.blocks.iter().map(|b| b.rank).sum();
        let degrees_of_freedom = ranks.saturating_sub(self.unknowns.len());
        Minimum {
            values,
            covariance: None,
            chi_square: normal.chi_square,
            degrees_of_freedom,
            p_value: chi_square_upper_tail(normal.chi_square, degrees_of_freedom as f64),
            termination,
            iterations,
            log_determinant: 0.0,
            jacobians: OnceLock::new(),
        }
    }

    /// The minimum among the points that share `start`'s value of
    /// `combination' x`, with the factor of the normal matrix there; the
    /// covariance is left empty.
    pub(super) fn solve_within(
        &self,
        start: Vec<f64>,
        combination: &Coefficients,
    ) -> Result<(Minimum, Factor), AdjustError> {
        self.minimise(start, Some(combination))
    }

    fn minimise(
        &self,
        start: Vec<f64>,
        within: Option<&Coefficients>,
    ) -> Result<(Minimum, Factor), AdjustError> {
        self.bounded()?;
        let n = self.unknowns.len();
        let within = within.map(|c| self.scaled(c));
        let mut x = start;
        let mut normal = self.normal(&x);
        if !normal.is_finite() {
            return Err(self.not_finite(&x));
        }
        let (tolerance, limit) = match within {
            Some(_) => (COARSE_STEP_TOLERANCE, COARSE_ITERATION_LIMIT),
            None => (STEP_TOLERANCE, ITERATION_LIMIT),
        };
        let mut damping = 0.0;
        let (mut is_slow, mut last_length) = (false, f64::INFINITY);
        let mut termination = Termination::IterationLimit;
        let mut iterations = 0;
        while iterations < limit {
            iterations += 1;
            let mut matrix = normal.matrix.clone();
            if is_slow {
                self.add_curvature(&x, &mut matrix);
            }
            for d in matrix.diagonal_mut(&self.pattern) {
                *d *= 1.0 + damping;
            }
            let Some(factor) = matrix.factor(&self.pattern) else {
                if damping > 1e6 {
                    return Err(self.singular(normal.matrix));
                }
                damping = f64::max(10.0 * damping, 1e-3);
                continue;
            };
            let mut step = -factor.solve(&normal.gradient);
            if let Some(c) = &within {
                // Lagrange: the least of the quadratic model with c' step = 0
                let along = factor.solve(c);
                let excess = c.dot(&step) / c.dot(&along);
                step.scaled_add(-excess, &along);
            }
            let length = normal
                .matrix
                .quadratic(&self.pattern, &step)
                .max(0.0)
                .sqrt();
            let trial: Vec<f64> = (0..n)
                .map(|i| x[i] + self.unknowns[i].scale * step[i])
                .collect();
            let next = self.normal(&trial);
            if next.is_finite() && next.chi_square <= normal.chi_square {
                is_slow |= damping == 0.0 && length > SLOW_CONVERGENCE * last_length;
                last_length = length;
                x = trial;
                normal = next;
                // the step counts as short only when nothing shortened it
                if length < tolerance && damping < 1e-3 {
                    termination = Termination::Converged;
                    break;
                }
                damping = if damping < 1e-6 { 0.0 } else { damping / 10.0 };
            } else if length * length < ROUNDING * (1.0 + normal.chi_square) {
                termination = Termination::Rounding;
                break;
            } else {
                damping = f64::max(10.0 * damping, 1e-3);
            }
        }
        let factor = self.factor(&normal)?;
        // the determinant on the constraint: det(H) c'H^-1 c, up to a constant
        let within = within.map_or(0.0, |c| c.dot(&factor.solve(&c)).ln());
        let mut solution = self.describe(x, &normal, termination, iterations);
        solution.log_determinant = factor.log_determinant() + within;
        Ok((solution, factor))
    }

    /// The error that names an open unknown at `x`.
    pub(super) fn first_open(&self, x: &[f64]) -> AdjustError {
        self.singular(self.normal(x).matrix)
    }

    /// Names the unknown that a singular normal matrix leaves open.
    fn singular(&self, matrix: Symmetric) -> AdjustError {
        let open = matrix.first_open(&self.pattern);
        AdjustError::Singular {
            unknown: open.map_or_else(String::new, |k| self.unknowns[k].name.clone()),
        }
    }

    /// Splits the variance of `combination' x` over the blocks, in their
    /// order; the parts add up to `combination' C combination`.
    pub fn variance_parts(&self, solution: &Minimum, combination: &Coefficients) -> Vec<f64> {
        let gain = solution.gain(combination);
        let jacobians = solution.jacobians.get_or_init(|| {
            let blocks = self.blocks.iter();
            blocks
                .map(|b| b.evaluate(&solution.values).jacobian)
                .collect()
        });
        let blocks = self.blocks.iter().zip(jacobians);
        blocks
            .map(|(block, jacobian)| block.variance_part(jacobian, |k| gain[k]))
            .collect()
    }

    /// The same for one unknown: its own blocks and the priors of their unknowns, by index, and the sum of all
    /// others. The cost does not grow with the problem.
    pub fn variance_parts_near(
        &self,
        solution: &Minimum,
        unknown: usize,
    ) -> Vec<(Option<usize>, f64)> {
        let Incidence { joint, alone } = self.incidence();
        let mut gain = BTreeMap::from([(unknown, solution.covariance(unknown, unknown))]);
        for &k in joint[unknown]
            .iter()
            .flat_map(|&b| &self.blocks[b].unknowns)
        {
            let with = gain.entry(k);
            with.or_insert_with(|| solution.covariance(unknown, k));
        }
        let near = joint[unknown].iter();
        let near = near.chain(gain.keys().flat_map(|&k| &alone[k])).copied();
        let mut parts: Vec<(Option<usize>, f64)> = near
            .map(|b| {
                let block = &self.blocks[b];
                let jacobian = block.evaluate(&solution.values).jacobian;
                (Some(b), block.variance_part(&jacobian, |k| gain[&k]))
            })
            .collect();
        let told: f64 = parts.iter().map(|(_, part)| part).sum();
        parts.push((None, f64::max(gain[&unknown] - told, 0.0)));
        parts
    }

    /// Logarithm of the evidence: of the likelihood integrated over all unknowns
    /// with their priors, by Laplace's approximation about the minimum (exact
    /// where the model is linear). The constant that the data alone determine is
    /// left out, so that problems with the same data can be compared.
    pub fn log_evidence(&self, solution: &Minimum) -> f64 {
        let of_block = |block: &Block<'_>| match block.unknowns.len() {
            1 => block.information[[0, 0]].ln(),
            _ if block.model.is_some() => block.information[[0, 0]].ln(),
            _ => log_determinant(&block.information),
        };
        let priors = self.blocks.iter().filter(|b| b.kind == BlockKind::Prior);
        let priors: f64 = priors.map(of_block).sum();
        // the determinant is that of scaled unknowns
        let scales: f64 = self.unknowns.iter().map(|u| 2.0 * u.scale.ln()).sum();
        0.5 * (priors - solution.log_determinant + scales - solution.chi_square)
    }

    /// What determines each unknown, and how many independent combinations of
    /// unknowns the data alone determine (the rank of the data part; the rest
    /// is its null space).
    pub fn determination(&self, solution: &Minimum) -> (Vec<Determined>, usize) {
        let n = self.unknowns.len();
        let mut prior_precision = vec![0.0; n];
        let mut related = vec![false; n];
        for block in self.blocks.iter().filter(|b| b.kind == BlockKind::Prior) {
            for (a, &i) in block.unknowns.iter().enumerate() {
                related[i] |= block.model.is_some();
                // conditional precision; marginal where priors correlate
                prior_precision[i] += self.marginal_precision(block, a);
            }
        }
        let size: Vec<f64> = (0..n)
            .map(|i| match prior_precision[i] {
                p if p > 0.0 => p.sqrt().recip(),
                _ => self.unknowns[i].scale,
            })
            .collect();
        let mut data = self.pattern.zeros();
        for (block, entries) in self.blocks.iter().zip(&self.entries) {
            if block.kind == BlockKind::Prior {
                continue;
            }
            let information = self.block_information(block, &solution.values);
            let mut entries = entries.iter();
            for (a, &i) in block.unknowns.iter().enumerate() {
                for ((b, &j), &entry) in block.unknowns[..=a].iter().enumerate().zip(&mut entries) {
                    data.values[entry] += size[i] * size[j] * information[[a, b]];
                }
            }
        }
        let largest = data
            .diagonal(&self.pattern)
            .iter()
            .copied()
            .fold(0.0, f64::max);
        let floor = f64::max(1e-7, 1e2 * n as f64 * f64::EPSILON * largest);
        let rank = data.clone().rank(&self.pattern, floor);
        data.diagonal_mut(&self.pattern)
            .iter_mut()
            .for_each(|d| *d += floor);
        let alone = data.factor(&self.pattern).map(|f| f.selected_inverse());
        let variance = |i: usize| Some(alone.as_ref()?.values[self.pattern.entry(i, i)]);
        // unknowns held only by the floor are not determined
        let most = f64::min(1.0, 0.01 / floor);
        let determined = (0..n)
            .map(|i| {
                let prior = prior_precision[i] > 0.0 || related[i];
                let by_data = variance(i).is_some_and(|a| a < most);
                if !prior || by_data {
                    Determined::Data
                } else {
                    Determined::relative_to_prior(solution.covariance(i, i) * prior_precision[i])
                }
            })
            .collect();
        (determined, rank)
    }

    /// Inverse of the variance that a prior block gives its unknown `a`; a relation
    /// between unknowns gives none of them one by itself.
    fn marginal_precision(&self, block: &Block<'_>, a: usize) -> f64 {
        if block.model.is_some() {
            return 0.0;
        }
        if block.unknowns.len() == 1 {
            return block.information[[0, 0]];
        }
        let mut unit = Array1::zeros(block.unknowns.len());
        unit[a] = 1.0;
        Cholesky::new(&block.information)
            .map_or(block.information[[a, a]], |f| f.solve(&unit)[a].recip())
    }

    /// First-order change of the solution's values by joint biases of the targets of blocks (by
    /// index), one number per component.
    pub fn shift<'b>(
        &self,
        solution: &Minimum,
        biases: impl IntoIterator<Item = (usize, &'b Array1<f64>)>,
    ) -> Vec<f64> {
        let mut pull = Coefficients::default();
        for (block, bias) in biases {
            let block = &self.blocks[block];
            let jacobian = block.evaluate(&solution.values).jacobian;
            let own = jacobian.t().dot(&block.information.dot(bias));
            for (&k, of) in block.unknowns.iter().zip(&own) {
                pull.add(k, *of);
            }
        }
        solution.gain(&pull).to_vec()
    }

    /// Tests `component` of `block` (an index) for a bias; `None` where no
    /// other information predicts it.
    pub fn bias_test(
        &self,
        solution: &Minimum,
        block: usize,
        component: usize,
    ) -> Option<BiasTest> {
        let block = &self.blocks[block];
        let Linearisation { values, jacobian } = block.evaluate(&solution.values);
        let own = Array2::from_shape_fn((block.unknowns.len(), block.unknowns.len()), |(a, b)| {
            solution.covariance(block.unknowns[a], block.unknowns[b])
        });
        let pull = block.information.dot(&(&block.target - &values));
        let row = block.information.row(component);
        let through = jacobian.t().dot(&row);
        let free = row[component] - through.dot(&own.dot(&through));
        // the share of the observation that others check (its redundancy);
        // 1e-9 is the rounding left of the difference
        if free <= 1e-9 * row[component] {
            return None;
        }
        Some(BiasTest {
            leave_one_out: pull[component] / free,
            uncertainty: free.sqrt().recip(),
            normalised: pull[component] / free.sqrt(),
        })
    }
}

#[cfg(test)]
#[path = "tests.rs"]
mod tests;
