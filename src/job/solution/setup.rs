//! Results of a setup.

use super::AdjustedJob;
use super::correction::correction;
use super::results::{ArmResult, CaptureShare, LargestContribution, SetupResult, TemporaryChanges};
use crate::adjust::{self, Marginal};
use crate::groove::Profile;
use crate::job::JobError;
use crate::job::budget::{self, MOST_LINES};
use crate::job::contribution::{VarianceSource, shares};
use crate::job::description::Alignment;
use crate::job::network::{self, Linear, Parameter};
use crate::job::scope::Scope;
use crate::uncertainty::{Conformity, conformity};
use crate::units::{DEGREE, MILLIMETRE};
use std::collections::BTreeMap;

/// Shares of captures in a variance: by their readings, and by unknowns of their own.
fn capture_shares(variance_shares: &BTreeMap<VarianceSource, f64>) -> Vec<CaptureShare> {
    let share = |(brought, share): (&VarianceSource, &f64)| match brought {
        VarianceSource::Capture(at) => Some(CaptureShare {
            capture: at + 1,
            share: *share,
        }),
        _ => None,
    };
    let mut all: Vec<CaptureShare> = variance_shares.iter().filter_map(share).collect();
    if all.len() > MOST_LINES {
        all.sort_by(|a, b| b.share.total_cmp(&a.share));
        all.truncate(MOST_LINES);
        all.sort_by_key(|share| share.capture);
    }
    all
}

impl AdjustedJob<'_> {
    pub(super) fn setup(
        &self,
        name: &str,
        scope: &Scope<'_>,
        shared: Option<&[Option<Marginal>; 3]>,
        superseded_by: Option<String>,
    ) -> Result<SetupResult, JobError> {
        let limits = &self.job.limits;
        let setup = &self.job.setups[name];
        let cartridge = self.job.cartridges.get(&setup.cartridge);
        let unobservable = cartridge.is_some_and(|c| c.profile == Some(Profile::Spherical));
        let [groove, body, headshell] = self.angles(name);
        let known = |which: usize| shared.and_then(|s| s[which].as_ref());
        let groove = groove.unwrap_or_default();
        let (rotation_deg, _) = self.degrees(scope, &groove, known(0))?;
        let headshell = headshell.unwrap_or_default();
        let (headshell_deg, _) = self.degrees(scope, &headshell, known(2))?;
        let body = body
            .filter(|_| !unobservable)
            .map(|angle| Ok::<_, JobError>((self.degrees(scope, &angle, known(1))?, angle)))
            .transpose()?;
        let in_degrees = |angle: &Linear| angle.row.scaled(DEGREE.recip());
        let budget = |angle: &Linear| budget::lines(self.network, scope, &in_degrees(angle));
        let conformity = limits.tolerance.zip(body.as_ref()).map(
            |(tolerance, ((quantity, marginal), angle))| match marginal {
                Some(m) => Conformity::from_probability(
                    m.cumulative(tolerance - angle.offset)
                        - m.cumulative(-tolerance - angle.offset),
                    network::tidy(tolerance / DEGREE),
                ),
                None => conformity(
                    quantity.value,
                    quantity.standard_uncertainty,
                    network::tidy(tolerance / DEGREE),
                ),
            },
        );
        let max_turn = limits.max_turn.map(|t| t / DEGREE);
        let holes = cartridge.and_then(|c| c.holes_to_stylus);
        let correction = correction(&headshell_deg, max_turn, holes.map(|m| m / MILLIMETRE))
            .filter(|_| !unobservable && superseded_by.is_none());
        let arm = self.network.pivoted_arm(name, &self.adjustment.values);
        let brought = shares(self.job, self.network, scope, &groove.row);
        Ok(SetupResult {
            name: name.to_owned(),
            budget: budget(&groove),
            captures: capture_shares(&brought),
            variance_shares: brought,
            stylus_to_body_budget: body.as_ref().map_or_else(Vec::new, |(_, a)| budget(a)),
            rotation_deg,
            stylus_to_body_deg: body.map(|((quantity, _), _)| quantity),
            headshell_deg,
            arm: arm
                .filter(|_| !unobservable)
                .map(|(arm, radius)| ArmResult {
                    radius_mm: radius / MILLIMETRE,
                    tracking_error_deg: arm.tracking_error(radius) / DEGREE,
                    null_radii_mm: arm.null_radii().map(|r| r.map(|r| r / MILLIMETRE)),
                }),
            conformity,
            correction,
            superseded_by,
            zero_setting_deg: None,
            unobservable,
            arm_of: setup.arm.clone(),
            mounting_stated: setup.mounting(false).is_some()
                && setup.alignment != Some(Alignment::Unknown),
            exchange_undetectable: false,
            temporary_changes: self.temporary_changes(name),
            misset_arm: false,
            // only of use where no turn is advised
            largest_contribution: match correction {
                Some(_) => LargestContribution::default(),
                None => self.largest_contribution(scope, &setup.cartridge, &headshell),
            },
        })
    }

    /// Changes left in place by the last recording of the setup, if no other came after it.
    pub(super) fn temporary_changes(&self, name: &str) -> TemporaryChanges {
        let blocks = &self.network.capture_blocks[..self.job.captures.len()];
        let last = blocks.iter().rposition(Option::is_some);
        let own = self.network.captures_of(name);
        let of = |at: &usize| &self.job.captures[*at];
        let first = own.first().map(of);
        let last = own.last().filter(|at| Some(**at) == last).map(of);
        TemporaryChanges {
            turned: last.is_some_and(|c| c.turn.value.is_some_and(|turn| turn != 0.0)),
            leads: last
                .zip(first)
                .is_some_and(|(last, first)| last.swapped != first.swapped),
        }
    }

    /// The largest contribution to the variance of the rotation in the headshell.
    pub(super) fn largest_contribution(
        &self,
        scope: &Scope<'_>,
        cartridge: &str,
        headshell: &Linear,
    ) -> LargestContribution {
        let blocks = self.network.problem.blocks();
        let own = format!("cartridge.{cartridge}.");
        let (mut arm, mut tip, mut rest) = (0.0, 0.0, 0.0);
        for (at, part) in scope.variance_parts(&headshell.row) {
            let prior = at.map(|at| &blocks[at]);
            let prior = prior.filter(|block| block.kind() == adjust::BlockKind::Prior);
            let of = |what: &dyn Fn(&Parameter) -> bool| {
                let mut unknowns = prior.iter().flat_map(|block| block.unknowns());
                unknowns.any(|&k| what(&self.network.parameters[k]))
            };
            let sizes = ["_radius_um", ".contact_spacing_um", ".shape"];
            let is_size = |p: &Parameter| {
                p.id.starts_with(&own) && sizes.iter().any(|end| p.id.ends_with(end))
            };
            if of(&|p| p.id.starts_with("arm.") || p.id.starts_with("tracking_deg")) {
                arm += part;
            } else if of(&|p| is_size(p) && !p.is_stated()) {
                tip += part;
            } else {
                rest += part;
            }
        }
        if arm > tip && arm > rest {
            LargestContribution::Arm
        } else if tip > rest {
            LargestContribution::Tip
        } else {
            LargestContribution::Recordings
        }
    }

    /// The last of the cartridge's `setups` that was recorded after this one.
    pub(super) fn later_setup(&self, name: &str, setups: &[&String]) -> Option<String> {
        let recorded = |name: &str| self.network.captures_of(name).first().copied();
        let own = recorded(name)?;
        let others = setups.iter();
        others
            .filter_map(|&other| Some((recorded(other)?, other)))
            .filter(|(at, _)| *at > own)
            .max()
            .map(|(_, other)| other.clone())
    }
}
