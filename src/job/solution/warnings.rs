//! Warnings about a solved job as a whole.

use super::AdjustedJob;
use crate::adjust::Termination;
use crate::groove::Profile;
use crate::job::description::{Alignment, ArmOf, DelaySource, Job};
use crate::job::explanation::REPORTED_P;
use crate::job::network::{self, CaptureData, Parameter, id};
use crate::job::priors;
use crate::uncertainty::{Caveat, Warning, chi_square, plain, tail};
use crate::units::{DEGREE, MICROMETRE, MILLIMETRE};
use std::collections::{BTreeMap, BTreeSet};
use std::f64::consts::FRAC_PI_4;

/// Code of the note that the arm is not stated.
pub const ARM_NOT_STATED: Warning = Warning::ArmNotStated;

/// Whether records are played at this speed, revolutions per minute, or near it.
pub fn is_usual_speed(rpm: f64) -> bool {
    [50.0 / 3.0, 100.0 / 3.0, 45.0, 78.26]
        .iter()
        .any(|usual| (rpm / usual - 1.0).abs() <= Warning::UnusualSpeed.limit())
}

/// The same part of a recording under two entries counts twice.
pub(super) fn same_recording(job: &Job, data: &[Option<CaptureData>]) -> Vec<Caveat> {
    let mut seen: BTreeMap<&String, Vec<usize>> = BTreeMap::new();
    let mut caveats = Vec::new();
    let span = |at: usize| {
        let spec = &job.captures[at];
        [
            spec.from_s.unwrap_or(0.0),
            spec.to_s.unwrap_or(f64::INFINITY),
        ]
    };
    let overlap = |a: usize, b: usize| {
        let ([from, to], [other_from, other_to]) = (span(a), span(b));
        from.max(other_from) < to.min(other_to)
    };
    for (at, data) in data.iter().enumerate() {
        let spec = &job.captures[at];
        let Some(hash) = data.as_ref().and_then(|d| d.sha256.as_ref()) else {
            continue;
        };
        let before = seen.entry(hash).or_default();
        let twice = before.iter().copied().find(|&other| overlap(other, at));
        before.push(at);
        if let Some(first) = twice {
            caveats.push(Caveat::serious(
                Warning::SameRecordingTwice,
                format!(
                    "{} and {} use the same part of one recording, so it counts twice; remove one, or separate them by from_s and to_s",
                    network::locate(first, &job.captures[first]),
                    network::locate(at, spec)
                ),
            ));
        }
    }
    caveats
}

impl AdjustedJob<'_> {
    /// `later` are the setups that came after another one of the same cartridge.
    pub(in crate::job) fn general_warnings(
        &self,
        rank: usize,
        later: &BTreeSet<String>,
        warnings: &mut Vec<Caveat>,
    ) {
        let job = self.job;
        if self.adjustment.termination == Termination::IterationLimit {
            warnings.push(Caveat::serious(
                Warning::NotConverged,
                "the adjustment did not converge; check the values given, above all radii, speeds and turns",
            ));
        }
        self.impossible_results(warnings);
        self.tracing_contradictions(warnings);
        for (name, cartridge) in &job.cartridges {
            let of = network::named("cartridge", name);
            match cartridge.profile {
                None => warnings.push(Caveat::note(
                    Warning::GenericStylus,
                    format!(
                        "no stylus is stated for {of}; a generic elliptical of 18 +- 2 by 8 +- 2 um is assumed. State its profile and radii for a narrower band"
                    ),
                )),
                Some(Profile::Spherical) => warnings.push(Caveat::note(
                    Warning::SphericalTip,
                    format!(
                        "{of} has a spherical tip, which cannot see its own rotation: its captures measure the record's cut, and the rotation given for it is only its prior"
                    ),
                )),
                _ => {}
            }
        }
        self.unusual_conditions(warnings);
        self.unused_knowledge(warnings);
        self.report_contradictions(warnings);
        let without_arm: Vec<String> = job
            .setups
            .iter()
            .filter(|(name, s)| s.arm == ArmOf::Unknown && self.network.is_tracked(name))
            .map(|(name, _)| network::named("setup", name))
            .collect();
        if !without_arm.is_empty() {
            warnings.push(Caveat::note(
                ARM_NOT_STATED,
                format!(
                    "the arm is not stated for {}: its tracking error at the radius played is assumed to be 0 +- {} deg, which widens the band of the turn and of the rotation to the body",
                    without_arm.join(", "),
                    plain(priors::TRACKING_COMMON.u.hypot(priors::TRACKING_RADIUS.u), 1)
                ),
            ));
        }
        let aligned = |name: &&String| {
            let aligned = job.setups[*name].alignment;
            aligned.is_some_and(|a| a != Alignment::Unknown)
        };
        let anew: Vec<String> = later
            .iter()
            .filter(aligned)
            .map(|later| network::named("setup", later))
            .collect();
        if !anew.is_empty() {
            warnings.push(Warning::AlignedAnew.seen(format!(
                "an alignment of the body is stated for {}, after an earlier setup of the same cartridge. If the body was turned on purpose in between, remove that entry: the alignment no longer applies",
                anew.join(" and ")
            )));
        }
        let planned = job
            .captures
            .iter()
            .filter(|c| c.source == DelaySource::Planned)
            .count();
        if planned > 0 {
            warnings.push(Caveat::note(
                Warning::PlannedCaptures,
                format!("{planned} planned captures are not recorded yet and do not count"),
            ));
        }
        let n = self.network.parameters.len();
        if rank < n {
            warnings.push(Caveat::note(
                Warning::CarriedByPriors,
                format!(
                    "the captures alone determine {rank} of {n} unknowns or combinations of them; priors carry the rest ('unknowns' in the JSON document says what each rests on)"
                ),
            ));
        }
        let fit = self.adjustment;
        if let Some(p) = fit.p_value {
            let facts = format!(
                "{} (probability of a larger one {})",
                chi_square(fit.chi_square, fit.degrees_of_freedom),
                tail(p)
            );
            // priors of the table are wide on purpose
            let stated = self
                .network
                .parameters
                .iter()
                .any(Parameter::has_stated_uncertainty);
            if p > 1.0 - REPORTED_P && fit.degrees_of_freedom > 1 && stated {
                warnings.push(Caveat::note(
                    Warning::ChiSquareLow,
                    format!(
                        "the captures and priors agree better than their uncertainties make likely: {facts}. An uncertainty may be stated too large"
                    ),
                ));
            }
        }
    }

    /// Results that no stylus can have.
    pub(super) fn impossible_results(&self, warnings: &mut Vec<Caveat>) {
        for (name, setup) in &self.job.setups {
            let Some(k) = self.network.unknown(&id::rotation(name)) else {
                continue;
            };
            let degrees = self.adjustment.values[k] / DEGREE;
            let cartridge = self.job.cartridges.get(&setup.cartridge);
            let unobservable = cartridge.is_some_and(|c| c.profile == Some(Profile::Spherical));
            if unobservable {
                continue;
            }
            warnings.extend(Warning::ImplausibleRotation.at(degrees.abs(), || {
                let of = network::named("setup", name);
                format!(
                    "the stylus of {of} is turned {:.0} degrees {}, which is implausible: a recorder or an editor that shifts one channel by a single sample adds 10 us at 96 kHz and 21 us at 48 kHz, so record again by other means; then check radius, speed and stylus",
                    degrees.abs(),
                    if degrees > 0.0 { "clockwise" } else { "anticlockwise" },
                )
            }));
        }
        for (name, cartridge) in &self.job.cartridges {
            let (lever, _) = self.lever(name, 0.0);
            let stated = self.stated_tip(cartridge).lever(FRAC_PI_4).length;
            if lever <= 0.0 && stated > 0.0 && cartridge.profile != Some(Profile::Spherical) {
                let of = network::named("cartridge", name);
                warnings.push(Caveat::serious(
                    Warning::ImpossibleLever,
                    format!(
                        "the captures give {of} a lever of {:.1} um, but a tip's is positive: check for turns stated with the wrong sign (clockwise seen from above is positive), and for wrong leads or speeds",
                        lever / MICROMETRE
                    ),
                ));
            }
        }
    }

    /// Captures at radii and speeds that records rarely have: probably a slip.
    pub(super) fn unusual_conditions(&self, warnings: &mut Vec<Caveat>) {
        for (at, spec) in self.job.captures.iter().enumerate() {
            let capture = || network::locate(at, spec);
            let mm = spec.radius.map(|r| r / MILLIMETRE);
            // a stated uncertainty shows that the value was checked
            let unusual = mm
                .into_iter()
                .find(|r| Warning::UnusualRadius.level(*r).is_some());
            let unusual = unusual.filter(|_| spec.radius_u.is_none()).and_then(|radius| {
                Warning::UnusualRadius.at(radius, || {
                    format!(
                        "{} is stated at a radius of {}, but records are cut from 50 to 150 mm from the spindle. A diameter is twice the radius; for a larger disc, state the radius in a job with its uncertainty",
                        capture(),
                        if mm[0] == mm[1] {
                            format!("{} mm", plain(mm[0], 1))
                        } else {
                            format!("{} to {} mm", plain(mm[0], 1), plain(mm[1], 1))
                        }
                    )
                })
            });
            warnings.extend(unusual);
            let rpm = spec.nominal_rpm();
            if let (Some(stretch), Some((from, to))) = (spec.stretch(), spec.from_s.zip(spec.to_s))
                && stretch.which == 0
            {
                let pitch = (mm[0] - mm[1]).abs() / ((to - from) * rpm / 60.0);
                warnings.extend(Warning::GroovePitch.at(pitch, || {
                    format!(
                        "the radii of {} imply a groove pitch of {} mm per revolution, which no record has over a side; check both radii, the speed, and where the recording starts and ends",
                        capture(),
                        plain(pitch, 3)
                    )
                }));
            }
            if !is_usual_speed(rpm) {
                warnings.push(Caveat::caution(
                    Warning::UnusualSpeed,
                    format!(
                        "{} is stated to be played at {} rpm, which is not 16 2/3, 33 1/3, 45 or 78; check the entry",
                        capture(),
                        plain(rpm, 2)
                    ),
                ));
            }
        }
    }

    /// Included objects that no capture uses: a name may be misspelt.
    pub(super) fn unused_knowledge(&self, warnings: &mut Vec<Caveat>) {
        if self.job.captures.is_empty() {
            return;
        }
        for knowledge in &self.job.knowledge {
            let own = &self.network.parameters[..self.network.own];
            let used = |thing: &String| {
                let of = |p: &Parameter| p.id.strip_prefix(thing)?.strip_prefix('.').map(drop);
                own.iter().any(|p| of(p).is_some())
            };
            let things = knowledge.objects();
            let is_record = |thing: &&String| thing.starts_with("record.");
            if !things.iter().filter(is_record).any(used) {
                let of = things.iter().filter(|thing| !used(thing));
                let of: Vec<String> = of.map(|thing| thing.replacen('.', " ", 1)).collect();
                warnings.push(Caveat::caution(
                    Warning::KnowledgeUnused,
                    format!(
                        "'{}' contains {}, which no capture of this job uses; check the names",
                        knowledge.source,
                        of.join(", ")
                    ),
                ));
            }
        }
    }

    /// Texts of a report that contradict the kind of arm of a setup.
    pub(super) fn report_contradictions(&self, warnings: &mut Vec<Caveat>) {
        let Some(said) = self.job.report.get("arm") else {
            return;
        };
        let lower = said.to_lowercase();
        let names = ["pivot", "tangential"].map(|kind| lower.contains(kind));
        let other = |arm: &ArmOf| match (arm, names) {
            (ArmOf::Tangential, [true, false]) => Some("tangential"),
            (ArmOf::Pivoted(_) | ArmOf::NullRadius, [false, true]) => Some("pivoted"),
            _ => None,
        };
        for (name, setup) in &self.job.setups {
            if let Some(calculated) = other(&setup.arm) {
                warnings.push(Warning::ReportDiffers.seen(format!(
                    "[report] calls the arm '{said}', and {} is calculated with a {calculated} one; correct the one that is wrong",
                    network::named("setup", name)
                )));
            }
        }
    }
}
