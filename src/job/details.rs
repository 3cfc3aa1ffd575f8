//! Figures that a report shows beside the results, for its pictures.

use super::description::Job;
use super::history::History;
use super::network::{CaptureData, Mounting, id, named, tidy};
use super::over_radius::OverRadius;
use super::priors;
use super::scatter::{Comparable, Scatter, Series};
use super::solution::{AdjustedJob, Solved};
use crate::adjust::Determined;
use crate::analysis::Evidence;
use crate::groove::{Profile, Tip};
use crate::uncertainty::Quantity;
use crate::units::{DEGREE, MICROMETRE, MILLIMETRE};
use std::f64::consts::{FRAC_PI_4, PI, TAU};
use std::sync::Arc;

/// Points of a tip's outline.
const OUTLINE_POINTS: usize = 120;

/// An unknown before and after the captures.
#[derive(Debug, Clone, PartialEq)]
pub struct UnknownUpdate {
    /// Its stable name.
    pub id: String,
    /// In the user's words.
    pub words: String,
    /// Unit of the figures.
    pub unit: &'static str,
    /// Prior and its standard uncertainty.
    pub prior: (f64, f64),
    /// Value now and its standard uncertainty.
    pub posterior: (f64, f64),
    /// Change of the value, in standard uncertainties of the prior.
    pub moved: f64,
    /// Posterior over prior standard uncertainty, 0 to 1.
    pub narrowed: f64,
    /// Origin of the prior.
    pub origin: String,
    /// What determines the value now.
    pub determined_by: Determined,
}

/// Stylus (or cut) and groove as seen from above, micrometres: across, towards
/// the right channel's wall, and along, upstream.
#[derive(Debug, Clone, PartialEq)]
pub struct ContactView {
    /// Name of the setup, or of the record whose cut is turned.
    pub name: String,
    /// Whether it is the cut that is rotated, as measured by a spherical tip.
    pub cut: bool,
    /// The angle, degrees.
    pub angle_deg: Quantity,
    /// The tip's outline at its contacts, turned with the stylus.
    pub outline_um: Vec<[f64; 2]>,
    /// Contacts with the left and the right channel's wall; for a cut, points
    /// cut at the same moment.
    pub contacts_um: [[f64; 2]; 2],
    /// Distance of the left one upstream of the right one.
    pub path_um: f64,
}

/// Conditions of a capture and evidence of its recording.
#[derive(Debug, Clone, PartialEq)]
pub struct CaptureDetails {
    /// Number of the capture in the job, from 1.
    pub capture: usize,
    /// Its file, or a description.
    pub file: String,
    /// Its setup, record and chain.
    pub objects: [String; 3],
    /// Radius at the start and end of the analysed part, millimetres.
    pub radius_mm: [f64; 2],
    /// Nominal speed, revolutions per minute.
    pub rpm: f64,
    /// Known turn, degrees.
    pub turn_deg: f64,
    /// Leads swapped.
    pub swapped: bool,
    /// Free text.
    pub note: Option<String>,
    /// Evidence of its recording.
    pub evidence: Option<Arc<Evidence>>,
    /// Radius of each part of the recording whose delay is shown, millimetres; empty where it
    /// does not change.
    pub part_radius_mm: Vec<f64>,
}

/// Figures that a report shows beside the results of a job.
#[derive(Debug, Clone, PartialEq)]
pub struct Details {
    /// Every unknown, and the mountings, which are differences of two.
    pub unknowns: Vec<UnknownUpdate>,
    /// Stylus or cut in the groove.
    pub contacts: Vec<ContactView>,
    /// Delay against known turns (degrees), per setup that has them.
    pub turns: Vec<Series>,
    /// Delay against the reciprocal of the speed (seconds per metre).
    pub speeds: Vec<Series>,
    /// Delay over the radius of recordings taken in stretches.
    pub over_radius: Vec<OverRadius>,
    /// Rotation of cartridges over dates or hours.
    pub history: Vec<History>,
    /// Every capture that has been read.
    pub captures: Vec<CaptureDetails>,
}

impl Details {
    /// The details of a solved job; `data` as given to [`super::solve`].
    pub fn of(job: &Job, data: &[Option<CaptureData>], solved: &Solved) -> Self {
        let view = AdjustedJob {
            job,
            network: &solved.network,
            adjustment: &solved.adjustment,
            coverage: solved.coverage,
        };
        let comparable = Comparable {
            job,
            data,
            scatter: Scatter::between_drops(job, data).deviation(),
            network: &solved.network,
        };
        let setups = || job.setups.keys();
        Self {
            unknowns: unknown_updates(solved)
                .into_iter()
                .chain(mountings(solved))
                .collect(),
            contacts: contacts(&view, solved),
            turns: setups()
                .filter_map(|s| comparable.turns(s, solved.coverage))
                .collect(),
            speeds: setups()
                .filter_map(|s| comparable.speeds(s, solved.coverage))
                .collect(),
            over_radius: OverRadius::of(job, data, solved),
            history: History::of(job, solved),
            captures: captures(job, data),
        }
    }
}

/// Unit of an id, by its ending before any bracket.
pub(super) fn unit(id: &str) -> &'static str {
    let stem = id.split('[').next().unwrap_or(id);
    if stem.ends_with(id::WEAR) {
        return "um per 1000 h";
    }
    ["deg", "us", "um", "mm", "rpm"]
        .into_iter()
        .find(|unit| stem.strip_suffix(unit).is_some_and(|s| s.ends_with('_')))
        .unwrap_or("")
}

pub(super) fn unknown_updates(solved: &Solved) -> Vec<UnknownUpdate> {
    let parameters = &solved.network.parameters;
    let determined = solved.solution.unknowns.iter();
    parameters
        .iter()
        .zip(determined)
        .enumerate()
        .map(|(k, (parameter, unknown))| {
            let value = solved.adjustment.values[k];
            let u = solved.adjustment.uncertainty(k);
            let prior = parameter.prior;
            let words = match id::setup_of_rotation(&parameter.id) {
                Some(setup) => format!("rotation in the headshell, {}", named("setup", setup)),
                None => parameter.words.clone(),
            };
            UnknownUpdate {
                id: parameter.id.clone(),
                words,
                unit: unit(&parameter.id),
                prior: (prior.value / parameter.factor, prior.u / parameter.factor),
                posterior: (value / parameter.factor, u / parameter.factor),
                moved: (value - prior.value) / prior.u,
                narrowed: u / prior.u,
                origin: parameter.origin.clone(),
                determined_by: unknown.determined_by,
            }
        })
        .collect()
}

/// The mountings of cartridge bodies, each the difference of two unknowns.
pub(super) fn mountings(solved: &Solved) -> Vec<UnknownUpdate> {
    let of = |mounting: &Mounting| {
        let linear = mounting.linear();
        let u = solved.adjustment.variance(&linear.row).sqrt();
        let value = linear.at(&solved.adjustment.values);
        let known = mounting.known;
        let narrowed = u / known.u;
        UnknownUpdate {
            id: mounting.id(),
            words: mounting.words(),
            unit: "deg",
            prior: (known.value / DEGREE, known.u / DEGREE),
            posterior: (value / DEGREE, u / DEGREE),
            moved: (value - known.value) / known.u,
            narrowed,
            origin: mounting.origin.clone(),
            determined_by: Determined::relative_to_prior(narrowed * narrowed),
        }
    };
    solved.network.mountings.iter().map(of).collect()
}

fn contacts(view: &AdjustedJob<'_>, solved: &Solved) -> Vec<ContactView> {
    let job = view.job;
    let mut list: Vec<ContactView> = solved
        .solution
        .setups
        .iter()
        .filter(|setup| !setup.unobservable)
        .filter_map(|setup| {
            let cartridge = &job.setups[&setup.name].cartridge;
            job.cartridges.get(cartridge)?;
            Some(stylus(&setup.name, setup.rotation_deg, view.tip(cartridge)))
        })
        .collect();
    // a spherical tip measures the cuts of the records that it played
    for record in &solved.solution.records {
        let ball = job.captures.iter().find_map(|c| {
            let cartridge = &job.setups.get(&c.setup)?.cartridge;
            let spherical = job.cartridges.get(cartridge)?.profile == Some(Profile::Spherical);
            (c.record == record.name && spherical).then_some(cartridge)
        });
        if let Some(cartridge) = ball {
            let tip = view.tip(cartridge);
            // a cutter turned clockwise cuts its left edge upstream, which is
            // played later
            let half = 0.5 * tip.spacing(FRAC_PI_4).length / MICROMETRE;
            let along = half * (record.cut_rotation_deg.value * DEGREE).tan();
            list.push(ContactView {
                name: record.name.clone(),
                cut: true,
                angle_deg: record.cut_rotation_deg,
                outline_um: outline(tip, 0.0),
                contacts_um: [[-half, along], [half, -along]],
                path_um: 2.0 * along,
            });
        }
    }
    list
}

/// A tip turned by its rotation, in a groove of 90 degrees.
fn stylus(name: &str, angle_deg: Quantity, tip: Tip) -> ContactView {
    let angle = angle_deg.value * DEGREE;
    ContactView {
        name: name.to_owned(),
        cut: false,
        angle_deg,
        outline_um: outline(tip, angle),
        contacts_um: [PI, 0.0].map(|side| turned(tip.outline(angle + side, FRAC_PI_4), angle)),
        path_um: tip.path(angle, FRAC_PI_4).length / MICROMETRE,
    }
}

fn outline(tip: Tip, angle: f64) -> Vec<[f64; 2]> {
    (0..OUTLINE_POINTS)
        .map(|k| {
            let azimuth = TAU * (k as f64 + 0.5) / OUTLINE_POINTS as f64;
            turned(tip.outline(azimuth, FRAC_PI_4), angle)
        })
        .collect()
}

/// A point turned clockwise, in micrometres.
fn turned([across, along]: [f64; 2], angle: f64) -> [f64; 2] {
    let (sin, cos) = angle.sin_cos();
    [across * cos + along * sin, along * cos - across * sin].map(|v| v / MICROMETRE)
}

fn captures(job: &Job, data: &[Option<CaptureData>]) -> Vec<CaptureDetails> {
    job.captures
        .iter()
        .zip(data)
        .enumerate()
        .filter_map(|(at, (spec, data))| {
            let data = data.as_ref()?;
            let [start, end] = spec.radius.map(|r| r / MILLIMETRE);
            let parts = data.evidence.iter().flat_map(|e| &e.along);
            Some(CaptureDetails {
                capture: at + 1,
                file: spec.describe(at),
                objects: [spec.setup.clone(), spec.record.clone(), spec.chain.clone()],
                radius_mm: [tidy(start), tidy(end)],
                rpm: spec.rpm.value.unwrap_or(priors::DEFAULT_CUT_RPM),
                turn_deg: tidy(spec.turn.value.unwrap_or(0.0) / DEGREE),
                swapped: spec.swapped,
                note: spec.note.clone(),
                evidence: data.evidence.clone(),
                part_radius_mm: if start == end {
                    Vec::new()
                } else {
                    parts.map(|m| start + m.position * (end - start)).collect()
                },
            })
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::unit;

    #[test]
    fn units_by_the_ending_of_an_id() {
        for (id, expected) in [
            ("setup.a.rotation_deg", "deg"),
            ("setup.a.turn_deg[4]", "deg"),
            ("record.b.radius_mm[70..65 u 1e-4]", "mm"),
            ("speed_rpm[33.333333]", "rpm"),
            ("cartridge.c.scale", ""),
            ("cartridge.c.wear_um_per_1000_h", "um per 1000 h"),
            ("chain.desk.equaliser 75 us", ""),
        ] {
            assert_eq!(unit(id), expected, "{id}");
        }
    }
}
