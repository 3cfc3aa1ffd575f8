//! Tips of a job by their tracing distortion.

use super::description::Estimate;
use super::network::{self, id};
use super::solution::AdjustedJob;
use super::{JobError, priors};
use crate::groove::Profile;
use crate::uncertainty::{Caveat, DECIDED, Quantity, Warning, plain, rounded, rounded_u};
use crate::units::MICROMETRE;
use std::collections::BTreeMap;

/// Radii along the groove of the shapes, micrometres. Common practice, no source.
const SHAPES: [(&str, [f64; 2]); 3] = [
    ("spherical", [13.0, 18.0]),
    ("elliptical", [5.0, 10.0]),
    ("line", [3.0, 6.0]),
];

/// Radius along the groove by the tracing of one recording, without its prior, metres.
struct TracedRadius {
    radius: f64,
    u: f64,
}

impl AdjustedJob<'_> {
    /// The radius along the groove, where tracing was measured.
    pub(super) fn radius_along_groove(&self, name: &str) -> Result<Option<Quantity>, JobError> {
        let (id, known) = self.prior_radius(name);
        let told = self.best_traced_radius(name).is_some();
        told.then(|| self.parameter(&id, known.value, MICROMETRE))
            .transpose()
    }

    /// The id of the radius along the groove, and its prior.
    fn prior_radius(&self, name: &str) -> (String, Estimate) {
        let cartridge = &self.job.cartridges[name];
        let [frontal, side, _] = priors::sizes(cartridge.profile);
        let known = match cartridge.profile {
            Some(Profile::Spherical) => cartridge.frontal_radius.or(frontal),
            _ => cartridge.side_radius.or(side),
        };
        (id::radius_along(name, cartridge.profile), known)
    }

    /// The radius by the tracing of one capture, from its block.
    fn traced_radius(&self, block: usize, at: usize) -> TracedRadius {
        let setup = &self.job.setups[&self.job.captures[at].setup];
        let (id, known) = self.prior_radius(&setup.cartridge);
        let block = &self.network.problem.blocks()[block];
        // all other unknowns at their priors
        let parameters = self.network.parameters.iter();
        let before: Vec<f64> = parameters.map(|p| p.prior.value).collect();
        let seen = block.evaluate(&before);
        let ratio = seen.values[0];
        let mut variance = block.information()[[0, 0]].recip();
        for (&k, by) in block.unknowns().iter().zip(seen.jacobian.row(0)) {
            let parameter = &self.network.parameters[k];
            if parameter.id != id {
                variance += (by / ratio * parameter.prior.u).powi(2);
            }
        }
        let radius = known.value / ratio;
        TracedRadius {
            radius,
            u: radius * variance.sqrt(),
        }
    }

    /// The most accurate radius by tracing of a cartridge's tip, and its capture. Recordings are not
    /// averaged, since they share what limits the accuracy: level and crosstalk.
    fn best_traced_radius(&self, name: &str) -> Option<(TracedRadius, usize)> {
        let of_cartridge = self.network.tip_radii.iter().filter(|(_, at)| {
            let setup = &self.job.captures[*at].setup;
            self.job.setups[setup].cartridge == name
        });
        of_cartridge
            .map(|&(block, at)| (self.traced_radius(block, at), at))
            .min_by(|(a, _), (b, _)| (a.u / a.radius).total_cmp(&(b.u / b.radius)))
    }

    /// Probabilities of the shapes of a cartridge of unstated shape. The radii of a shape are taken as
    /// normal, with the mean and the standard deviation of a rectangular distribution between its ends.
    pub(super) fn shape_probabilities(&self, name: &str) -> Option<BTreeMap<String, f64>> {
        if self.job.cartridges[name].profile.is_some() {
            return None;
        }
        let (best, _) = self.best_traced_radius(name)?;
        let likelihood = |[low, high]: [f64; 2]| {
            let [low, high] = [low, high].map(|um| um * MICROMETRE);
            let variance = (high - low).powi(2) / 12.0 + best.u * best.u;
            let off = best.radius - 0.5 * (low + high);
            (-0.5 * off * off / variance).exp() / variance.sqrt()
        };
        let all: f64 = SHAPES.iter().map(|(_, ends)| likelihood(*ends)).sum();
        let each = SHAPES.iter();
        Some(
            each.map(|(shape, ends)| ((*shape).to_owned(), likelihood(*ends) / all))
                .collect(),
        )
    }

    /// Warnings where tracing contradicts the stated or assumed radius or kind of tip.
    pub(super) fn tracing_contradictions(&self, warnings: &mut Vec<Caveat>) {
        for name in self.job.cartridges.keys() {
            let Some((told, at)) = self.best_traced_radius(name) else {
                continue;
            };
            let um = |v: f64, u: f64| {
                let [v, u] = [v, u].map(|m| m / MICROMETRE);
                format!("{} um (u {})", rounded(v, u), rounded_u(u))
            };
            let tells = format!(
                "the tracing of {} gives {} a radius of {} along the groove",
                network::locate(at, &self.job.captures[at]),
                network::named("cartridge", name),
                um(told.radius, told.u)
            );
            let shapes = self.shape_probabilities(name).unwrap_or_default();
            let ball = shapes.get(SHAPES[0].0).copied().unwrap_or(0.0);
            if ball >= DECIDED {
                warnings.push(Caveat::serious(
                    Warning::TipRadius,
                    format!(
                        "{tells}, which is that of a spherical tip (probability {}); such a tip cannot see its own rotation. State the cartridge's profile",
                        plain(ball, 2)
                    ),
                ));
                continue;
            }
            // the model is a product of factors, so logarithms are compared
            let (_, known) = self.prior_radius(name);
            let off = known.apart_from(Estimate {
                value: told.radius,
                u: told.u,
            });
            warnings.extend(Warning::TipRadius.at(off, || {
                format!(
                    "{tells}, but {} is stated or assumed (their ratio is {} relative standard uncertainties from 1): check the tip's stated size, the level that full scale stands for, radius and speed",
                    um(known.value, known.u),
                    plain(off, 1)
                )
            }));
        }
    }
}
