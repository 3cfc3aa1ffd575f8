//! Applies calibrations of the chain to a job's priors.

use super::description::{CaptureSpec, DelaySource, Estimate, Job, Stated};
use super::file::resolve;
use super::network::{self, CaptureData, DataSource, TermPrior, id};
use super::{JobError, priors};
use crate::chain::document::DocumentError;
use crate::chain::{self, Calibration};
use crate::delay::phase::PhaseTerm;
use crate::uncertainty::{Caveat, Warning, normal_coverage_factor, plain};
use crate::units::MICROSECOND;
use ndarray::{Array1, Array2};
use std::collections::btree_map::Entry;
use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

impl CaptureData {
    /// Adds priors of terms that are not in the job itself, such as a
    /// calibration's errors and a coil's load; terms that are not in the data
    /// are skipped. Captures with the same term share it.
    pub fn with_priors(mut self, terms: &[PhaseTerm]) -> Self {
        for term in terms {
            if self.information.terms.contains(&term.term) {
                self.priors.push(TermPrior {
                    terms: vec![term.term.clone()],
                    values: Array1::zeros(1),
                    covariance: Array2::from_elem((1, 1), term.prior_u.powi(2)),
                });
            }
        }
        self
    }
}

/// Load resistance where none is stated, ohm: moving-magnet inputs (common
/// practice, no source).
const LOAD_OHM: f64 = 47e3;
/// Load capacitance where none is stated, cable included, farad (common
/// practice, no source).
const LOAD_FARAD: f64 = 200e-12;

impl Job {
    /// Terms of a capture's phase that its cartridge's inductance and its
    /// chain's load ask for; none where no inductance is stated.
    pub fn load_terms(&self, capture: &CaptureSpec) -> Vec<PhaseTerm> {
        let cartridge = self
            .setups
            .get(&capture.setup)
            .and_then(|s| self.cartridges.get(&s.cartridge));
        let Some(inductance) = cartridge.and_then(|c| c.inductance.value) else {
            return Vec::new();
        };
        let part = |of: fn(&super::Chain) -> Stated, default: f64| {
            self.chains
                .get(&capture.chain)
                .and_then(|c| of(c).value)
                .unwrap_or(default)
        };
        chain::load(
            inductance * 1e3,
            part(|c| c.load_resistance, LOAD_OHM) * 1e-3,
            part(|c| c.load_capacitance, LOAD_FARAD) * 1e12,
        )
        .map_or_else(Vec::new, chain::load_terms)
    }
}

/// Least number of calibrations of one chain that determines its change from day to day:
/// the variance of Student's t distribution exists from three degrees of freedom on.
pub(super) const FEWEST_REPEATS: usize = 4;

/// The expected value of the next draw after `seen`, with its standard uncertainty: the
/// scaled and shifted t distribution of JCGM 101:2008, 6.4.9, with the variance of a single
/// draw added to that of the mean. `seen` has [`FEWEST_REPEATS`] at least.
fn next_draw(seen: &[f64]) -> Estimate {
    let n = seen.len() as f64;
    let mean = seen.iter().sum::<f64>() / n;
    let squares: f64 = seen.iter().map(|x| (x - mean).powi(2)).sum();
    Estimate {
        value: mean,
        u: (squares / (n - 3.0) * (1.0 + 1.0 / n)).sqrt(),
    }
}

/// Reads the calibrations of a job's chains, whose paths are relative to the job file.
/// Returns the last of each chain, by its name. Where several are named, the changes between
/// them set in `job` the prior of the skew's change since the last one.
///
/// # Errors
///
/// When one of them cannot be read, has no skew whose change could be told, is named twice, or
/// is older than the one before it; the message names it.
pub fn calibrations(
    job: &mut Job,
    job_file: &Path,
) -> Result<BTreeMap<String, Calibration>, DocumentError> {
    let mut last_of = BTreeMap::new();
    for (name, chain) in &mut job.chains {
        let mut read: Vec<Calibration> = Vec::new();
        let mut skews = Vec::new();
        let compared = chain.calibrations.len() > 1 || chain.stability.is_some();
        for file in &chain.calibrations {
            let calibration = chain::document::read(&resolve(job_file, file))?;
            let refuse = |field: &str, problem: &str| DocumentError::Field {
                file: file.to_string_lossy().replace('\\', "/"),
                field: field.to_owned(),
                problem: problem.to_owned(),
            };
            match &calibration.common {
                Some(common) => skews.push(common.skew_us.value * MICROSECOND),
                None if compared => {
                    return Err(refuse(
                        "common",
                        "is missing, so there is no skew to compare; name a calibration with a common signal",
                    ));
                }
                None => {}
            }
            if read.iter().any(|other| other.id == calibration.id) {
                return Err(refuse(
                    "source",
                    "is the same as another calibration in the list; name each once",
                ));
            }
            // dates of this format sort as text
            let before = read.last().and_then(|other| other.date.as_ref());
            if before
                .zip(calibration.date.as_ref())
                .is_some_and(|(before, own)| before > own)
            {
                return Err(refuse(
                    "date",
                    "is earlier than that of the file before it; name the oldest first, since the last one corrects",
                ));
            }
            read.push(calibration);
        }
        if let Some(newest) = skews.last().filter(|_| skews.len() >= FEWEST_REPEATS) {
            let next = next_draw(&skews);
            let beyond = Estimate {
                value: next.value - newest,
                ..next
            };
            let origin = format!("change between {} calibrations of the chain", skews.len());
            chain.beyond = Some((beyond, origin));
        }
        last_of.extend(read.pop().map(|calibration| (name.clone(), calibration)));
    }
    Ok(last_of)
}

impl Job {
    /// The calibration that corrects a capture's recording: that of its pass, or that of its chain in
    /// `calibrations`.
    pub(super) fn corrected_by<'a>(
        &'a self,
        capture: usize,
        calibrations: &'a BTreeMap<String, Calibration>,
    ) -> Option<&'a Calibration> {
        let of_pass = self.pass_of(capture).and_then(|p| p.calibration.as_ref());
        of_pass.or_else(|| calibrations.get(&self.captures[capture].chain))
    }
}

/// Replaces the priors that calibrations make obsolete: `calibrations` by the name of the chain
/// whose recordings they corrected, and those of passes. Quantities that were not measured keep
/// their priors. Stated figures that are replaced raise a warning.
pub fn replace_priors(job: &mut Job, calibrations: &BTreeMap<String, Calibration>) -> Vec<Caveat> {
    let mut caveats = Vec::new();
    let replaced = |what: String| {
        Caveat::note(
            Warning::CalibrationReplaces,
            format!(
                "{what} is stated in the job and measured by the calibration; the calibration is used"
            ),
        )
    };
    for (name, calibration) in calibrations {
        if let Some(chain) = job.chains.get_mut(name)
            && calibration.prior_changes().chain_skew
        {
            if chain.skew != Stated::default() {
                caveats.push(replaced(format!("skew_us of chain {name}")));
            }
            chain.corrected_by = Some(calibration.id.clone());
            chain.beyond.get_or_insert_with(|| {
                let u = chain.stability.unwrap_or(0.0);
                (Estimate { value: 0.0, u }, network::STATED.to_owned())
            });
        }
    }
    for (at, capture) in job.captures.iter().enumerate() {
        let given = matches!(capture.source, DelaySource::Delay(_));
        if given && calibrations.contains_key(&capture.chain) {
            caveats.push(Warning::DelayTakenAsCorrected.seen(format!(
                "{}: {} has a calibration, which corrects only recordings; the given delay is assumed to be corrected already",
                network::locate(at, capture),
                network::named("chain", &capture.chain)
            )));
        }
    }
    // The scale belongs to the cartridge: it is what the calibrations leave
    // only if every recording of the cartridge was corrected.
    let mut scales: BTreeMap<String, Option<(f64, BTreeSet<String>)>> = BTreeMap::new();
    for (at, capture) in job.captures.iter().enumerate() {
        let Some(setup) = job.setups.get(&capture.setup) else {
            continue;
        };
        let left = match capture.source {
            DelaySource::Delay(_) => None,
            _ => job.corrected_by(at, calibrations).and_then(|c| {
                let u = c.prior_changes().scale_u?;
                Some((u, BTreeSet::from([c.crosstalk_id().to_owned()])))
            }),
        };
        let both =
            |(a, ids): (f64, BTreeSet<_>), (b, more): (f64, BTreeSet<_>)| (a.max(b), &ids | &more);
        match scales.entry(setup.cartridge.clone()) {
            Entry::Vacant(free) => {
                free.insert(left);
            }
            Entry::Occupied(mut held) => {
                let before = held.insert(None);
                held.insert(before.zip(left).map(|(a, b)| both(a, b)));
            }
        }
    }
    for (name, left) in scales {
        let Some(cartridge) = job.cartridges.get_mut(&name) else {
            continue;
        };
        if let Some((u, ids)) = left {
            cartridge.corrected_by = Some(Vec::from_iter(ids).join("+"));
            if cartridge.scale != Stated::default() || cartridge.crosstalk_db.is_some() {
                caveats.push(replaced(format!("the crosstalk of cartridge {name}")));
            }
            cartridge.scale = Stated {
                value: Some(1.0),
                u: Some(u),
            };
        }
    }
    caveats
}

/// Standard uncertainty of an unconstrained skew, seconds: more than any chain
/// has.
const UNKNOWN_SKEW: f64 = 1e-4;

/// Checks the calibrations of chains against swapped leads and two speeds: the skew left by each calibration
/// should agree with its expected value (zero, without a known change) within the joint uncertainty (the
/// calibration's errors are among the unknowns). Skips chains whose captures do not determine it.
pub(super) fn cross_check(
    job: &Job,
    data: &[Option<CaptureData>],
    deviation: f64,
    coverage: f64,
) -> Result<Vec<Caveat>, JobError> {
    let mut caveats = Vec::new();
    for (name, chain) in &job.chains {
        let Some((expected, _)) = &chain.beyond else {
            continue;
        };
        let captures = || {
            let read = job.captures.iter().zip(data).filter(|(_, d)| d.is_some());
            read.map(|(c, _)| c).filter(|c| c.chain == *name)
        };
        let swapped = captures().any(|c| c.swapped) && captures().any(|c| !c.swapped);
        let speeds = captures().any(|c| captures().any(|other| other.rpm != c.rpm));
        let methods = match (swapped, speeds) {
            (true, true) => "swapped leads and two speeds find",
            (true, false) => "swapped leads find",
            (false, true) => "two speeds find",
            (false, false) => continue,
        };
        let mut free = job.clone();
        if let Some((beyond, _)) = free.chains.get_mut(name).and_then(|c| c.beyond.as_mut()) {
            beyond.u = UNKNOWN_SKEW;
        }
        let network = network::network(&free, DataSource::Real(data), deviation)?;
        let Some(k) = network.unknown(&id::chain_skew(name)) else {
            continue;
        };
        let adjustment = network.problem.solve()?;
        let (left, u) = (adjustment.values[k], adjustment.uncertainty(k));
        // no better known than without any calibration: not determined
        if u >= priors::CHAIN_SKEW.estimate().u {
            continue;
        }
        let expanded = normal_coverage_factor(coverage) * u.hypot(expected.u);
        let figures = format!(
            "chain {name}: {methods} a skew of {} +- {:.3} us ({:.0} %) beyond its calibration",
            plain(left / MICROSECOND, 3),
            expanded / MICROSECOND,
            100.0 * coverage
        );
        caveats.push(if (left - expected.value).abs() <= expanded {
            Caveat::note(Warning::CalibrationAgrees, format!("{figures}: they agree"))
        } else {
            Caveat::serious(
                Warning::CalibrationDisagrees,
                format!(
                    "{figures}: they disagree. Has a cable, an input or a setting changed since the calibration? Are leads, speeds and calibration as stated? Calibrate again, or leave the calibration out"
                ),
            )
        });
    }
    Ok(caveats)
}
