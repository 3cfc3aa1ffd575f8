//! Monte Carlo check of the bands (JCGM 101:2008).

use super::JobError;
use super::description::Job;
use super::network::{Angle, Linear, named};
use super::solution::{SetupResult, Solved};
use crate::adjust::Sample;
use crate::uncertainty::{Caveat, Quantity, Warning};
use crate::units::DEGREE;

/// Seed of the draws: results do not change from run to run.
const SEED: u64 = 101;

/// Most values kept, draws times unknowns: 80 MB, and as much again three times while the
/// quantiles of one setup are found. A million draws tell a 95 % band to one or two digits
/// (JCGM 101:2008, 7.2.2), so that ten unknowns have enough.
const MOST_VALUES: usize = 10_000_000;

/// Draws the whole job `count` times and compares the band of each setup. The
/// linearised band is validated when both ends agree within the numerical tolerance
/// of two significant digits (JCGM 101:2008, 7.9.2, 8.1), plus the sampling error
/// of that number of draws. `progress` receives the fraction done.
pub fn monte_carlo(
    job: &Job,
    solved: &Solved,
    count: usize,
    progress: &mut dyn FnMut(f64),
) -> Result<Vec<Caveat>, JobError> {
    let problem = &solved.network.problem;
    let values = &solved.adjustment.values;
    let setups: Vec<(&SetupResult, Linear)> = solved
        .solution
        .setups
        .iter()
        .filter(|s| s.rotation_deg.standard_uncertainty > 0.0)
        .filter_map(|s| {
            let angle = solved.network.angle(job, &s.name, Angle::Groove, values);
            Some((s, angle?))
        })
        .collect();
    // the unknowns that any of the angles depends on
    let depends = |k: &usize| {
        setups
            .iter()
            .any(|(_, angle)| angle.row.coefficient(*k) != 0.0)
    };
    let wanted: Vec<usize> = (0..values.len()).filter(depends).collect();
    let most = MOST_VALUES / wanted.len().max(1);
    if count > most {
        return Err(JobError::TooManyDraws {
            count,
            setups: setups.len(),
            most,
        });
    }
    let sample = Sample::draw(problem, &solved.adjustment, &wanted, count, SEED, progress)?;
    let mut caveats: Vec<Caveat> = incomplete(sample.failed, count).into_iter().collect();
    let coverage = solved.coverage;
    let tail = 0.5 * (1.0 - coverage);
    for (setup, angle) in setups {
        let rotation = |x: &[f64]| {
            let own = wanted
                .iter()
                .zip(x)
                .map(|(&k, x)| angle.row.coefficient(k) * x);
            (own.sum::<f64>() + angle.offset) / DEGREE
        };
        let [lower, upper] = sample.quantiles(rotation, [tail, 1.0 - tail]);
        let (mean, u) = sample.moments(rotation);
        // error of a quantile: sqrt(p (1 - p) / n) over the density there,
        // taken as a normal one's; twice that
        let z = crate::uncertainty::normal_coverage_factor(coverage);
        let density = (-0.5 * z * z).exp() / (std::f64::consts::TAU.sqrt() * u);
        let resolved = 2.0 * (tail * (1.0 - tail) / sample.effective_size()).sqrt() / density;
        let tolerance = numerical_tolerance(u) + resolved;
        let stated = setup.rotation_deg;
        let linear = Quantity::normal(stated.value, stated.standard_uncertainty, coverage);
        let agrees = |q: &Quantity| match (q.interval.lower, q.interval.upper) {
            (Some(l), Some(h)) => (l - lower).abs() <= tolerance && (h - upper).abs() <= tolerance,
            _ => false,
        };
        let facts = format!(
            "{}: {count} draws give {mean:.3} deg, u {u:.3}, band {lower:.3} to {upper:.3} deg (tolerance {tolerance:.3})",
            named("setup", &setup.name)
        );
        let describe = |q: &Quantity| match (q.interval.lower, q.interval.upper) {
            (Some(l), Some(h)) => format!("{l:.3} to {h:.3} deg"),
            _ => "none".to_owned(),
        };
        caveats.push(if agrees(&linear) {
            Caveat::note(
                Warning::MonteCarloAgrees,
                format!("{facts}; the linearised band agrees, use either"),
            )
        } else if agrees(&stated) {
            Caveat::note(
                Warning::MonteCarloNonlinear,
                format!(
                    "{facts}; the linearised band ({}) does not hold here, use the band given",
                    describe(&linear)
                ),
            )
        } else {
            Caveat::caution(
                Warning::MonteCarloDiffers,
                format!(
                    "{facts}; the band given ({}) differs, use the Monte Carlo band",
                    describe(&stated)
                ),
            )
        });
    }
    Ok(caveats)
}

/// The warning about draws without a solution.
fn incomplete(failed: usize, count: usize) -> Option<Caveat> {
    Warning::MonteCarloIncomplete.at(failed as f64 / count.max(1) as f64, || {
        format!(
            "{failed} of {count} draws found no solution; the Monte Carlo bands lack them; use the band given"
        )
    })
}

/// Half a unit of the second significant digit of `u` (JCGM 101:2008, 7.9.2).
fn numerical_tolerance(u: f64) -> f64 {
    if u > 0.0 {
        0.5 * 10f64.powf(u.log10().floor() - 1.0)
    } else {
        0.0
    }
}

#[cfg(test)]
mod tests {
    use super::{incomplete, numerical_tolerance};

    /// JCGM 101:2008, 7.9.2, examples 1 and 2: u = 0.00035 g with two digits
    /// gives 0.000005 g; u = 2 K with one digit gives 0.5 K, so with two 0.05.
    #[test]
    fn tolerance_of_the_supplement() {
        assert!((numerical_tolerance(0.00035) / 0.000005 - 1.0).abs() < 1e-12);
        assert!((numerical_tolerance(2.0) / 0.05 - 1.0).abs() < 1e-12);
        assert_eq!(numerical_tolerance(0.0), 0.0);
    }

    #[test]
    fn one_draw_in_a_hundred_may_fail() {
        assert_eq!(incomplete(10, 1000), None);
        let told = incomplete(11, 1000).unwrap();
        assert_eq!(told.code, "monte-carlo-incomplete");
        assert!(told.message.starts_with("11 of 1000 draws"));
    }
}
