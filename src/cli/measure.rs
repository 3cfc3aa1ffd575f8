//! `groovelag measure`: one recording to a rotation.

use super::arguments::{self, Radii, RecordingArguments};
use super::output::{self, Inputs, Progress};
use super::views::Views;
use super::{Common, Outcome};
use clap::{Args, Command};
use groovelag::analysis::{self, ChainCorrection, Request};
use groovelag::capture::{ReadOptions, Source};
use groovelag::groove::Profile;
use groovelag::job::{
    self, Alignment, ArmOf, CaptureData, CaptureSpec, Cartridge, Details, Job, Measured,
    PivotedArm, STRETCHES, Setup, Stated,
};
use groovelag::report::bands::{BandFound, BandList};
use groovelag::report::start::{AnyArm, TipAnswer};
use groovelag::report::{page, sketch};
use groovelag::uncertainty::Standing;
use groovelag::units::{DEGREE, MICROMETRE, MILLIMETRE};
use std::collections::BTreeMap;
use std::ffi::OsString;
use std::path::PathBuf;

/// Where on the record, and how fast.
#[derive(Debug, Clone, Args)]
pub struct PlaceArguments {
    /// Groove radius, mm: 72, 75..70, 2.8in; d144: diameter
    #[arg(long, value_name = "MM[..MM]", value_parser = arguments::radii, allow_negative_numbers = true)]
    pub radius: Radii,
    /// Explains how to write a diameter
    #[arg(long = "diameter", hide = true, value_parser = arguments::diameter)]
    _diameter: Option<String>,
    /// Speed while played: 33 (meaning 100/3), 45, 78.26
    #[arg(long, value_name = "N", value_parser = arguments::rpm)]
    pub rpm: f64,
}

impl PlaceArguments {
    /// A radius and a speed, as they were typed elsewhere.
    pub fn new(radius: arguments::Radii, rpm: f64) -> Self {
        Self {
            radius,
            _diameter: None,
            rpm,
        }
    }
}

/// What is known of the stylus and the arm.
#[derive(Debug, Clone, Args)]
pub struct SituationArguments {
    /// Tip, um: spherical:R, elliptical:RxR, line:SPACINGxR, a shape alone [default: unknown]
    #[arg(long, value_name = "TIP", value_parser = arguments::stylus)]
    pub stylus: Option<TipAnswer>,
    /// Leads swapped at the cartridge
    #[arg(long)]
    pub leads_swapped: bool,
    /// Dimensions (mm, deg), tangential or null-radius
    #[arg(long, value_name = "L/P/OFFSET", value_parser = arguments::arm)]
    pub arm: Option<AnyArm>,
    /// Body aligned: gauge, eye or unknown [default: eye]
    #[arg(long, value_name = "HOW", value_parser = arguments::aligned)]
    pub aligned: Option<Alignment>,
    /// Stylus ahead of the mounting holes, mm [default: 9.5]
    #[arg(long = "stylus-ahead", value_name = "MM", value_parser = arguments::holes_to_stylus, allow_negative_numbers = true)]
    pub holes_to_stylus: Option<f64>,
}

impl SituationArguments {
    /// The situation as a job: for each setup named, the one capture made in it.
    /// All other names are empty.
    pub fn job(
        &self,
        place: &PlaceArguments,
        recording: &RecordingArguments,
        captures: &[(&str, &OsString)],
    ) -> Job {
        let um = |v: f64| Stated::number(v * MICROMETRE);
        let mm = |v: f64| Stated::number(v * MILLIMETRE);
        let of_profile = |profile| Cartridge {
            profile: Some(profile),
            ..Default::default()
        };
        let cartridge = match self.stylus {
            None | Some(TipAnswer::Unknown) => Cartridge::default(),
            Some(TipAnswer::Spherical(None)) => of_profile(Profile::Spherical),
            Some(TipAnswer::Elliptical(None)) => of_profile(Profile::Elliptical),
            Some(TipAnswer::Line(None)) => of_profile(Profile::Line),
            Some(TipAnswer::Spherical(Some(radius))) => Cartridge {
                frontal_radius: um(radius),
                ..of_profile(Profile::Spherical)
            },
            Some(TipAnswer::Elliptical(Some((frontal, side)))) => Cartridge {
                frontal_radius: um(frontal),
                side_radius: um(side),
                ..of_profile(Profile::Elliptical)
            },
            Some(TipAnswer::Line(Some((spacing, side)))) => Cartridge {
                contact_spacing: um(spacing),
                side_radius: um(side),
                ..of_profile(Profile::Line)
            },
        };
        let name = String::new;
        let mut job = Job::default();
        let arm = match self.arm {
            None | Some(AnyArm::Unknown) => ArmOf::Unknown,
            Some(AnyArm::Tangential) => ArmOf::Tangential,
            Some(AnyArm::NullRadius) => ArmOf::NullRadius,
            Some(AnyArm::Pivoted(arm)) => {
                let arm = PivotedArm {
                    effective_length: mm(arm.effective_length_mm),
                    pivot_to_spindle: mm(arm.pivot_to_spindle_mm),
                    offset: Stated::number(arm.offset_deg * DEGREE),
                };
                job.arms.insert(name(), arm);
                ArmOf::Pivoted(name())
            }
        };
        let cartridge = Cartridge {
            holes_to_stylus: self.holes_to_stylus.map(|v| v * MILLIMETRE),
            ..cartridge
        };
        job.cartridges.insert(name(), cartridge);
        job.records.insert(name(), job::Record::default());
        job.chains.insert(name(), job::Chain::default());
        for (at, (setup, capture)) in captures.iter().enumerate() {
            job.setups.insert(
                (*setup).to_owned(),
                Setup {
                    arm: arm.clone(),
                    // a later setup was turned on purpose
                    alignment: self.aligned.filter(|_| at == 0),
                    ..Default::default()
                },
            );
            job.captures.push(CaptureSpec {
                source: job::DelaySource::File(PathBuf::from(capture)),
                band: None,
                setup: (*setup).to_owned(),
                record: name(),
                chain: name(),
                radius: [
                    place.radius.start_mm * MILLIMETRE,
                    place.radius.end_mm * MILLIMETRE,
                ],
                radius_u: None,
                rpm: Stated::number(place.rpm),
                turn: Stated::default(),
                swapped: self.leads_swapped,
                // what is read is read already
                channels: None,
                from_s: recording.from,
                to_s: recording.to,
                date: None,
                note: None,
                line: None,
            });
        }
        job
    }
}

/// Measure the rotation from one recording of a mono-cut band
#[derive(Debug, Args)]
#[command(after_help = "Example:
  groovelag measure band.wav --radius 72 --rpm 33 --stylus elliptical:18x8

Mute the amplifier before touching the cartridge, guard the stylus, and follow
the maker's instructions first. The figure is evidence, not a verdict.")]
pub struct Measure {
    /// The recording (WAV, FLAC, AIFF, CAF); - reads standard input
    capture: OsString,
    #[command(flatten)]
    place: Option<PlaceArguments>,
    /// List its bands, separated by pauses
    #[arg(long, conflicts_with_all = ["radius", "rpm", "tolerance", "from", "to", "report", "plot", "sketch", "stretches"])]
    bands: bool,
    /// Divide a side (--radius 145..62) into N stretches
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u16).range(i64::from(*STRETCHES.start())..=i64::from(*STRETCHES.end())))]
    stretches: Option<u16>,
    #[command(flatten)]
    situation: SituationArguments,
    /// Tolerance to the cartridge body, degrees either way
    #[arg(long, value_name = "DEG", value_parser = arguments::positive_degrees)]
    tolerance: Option<f64>,
    #[command(flatten)]
    recording: RecordingArguments,
    /// Calibration, as groovelag calibrate wrote it
    #[arg(long, value_name = "FILE")]
    chain: Option<PathBuf>,
    #[command(flatten)]
    common: Common,
    #[command(flatten)]
    views: Views,
}

/// The same program, where `measure --bands` needs no place on the record.
pub fn with_bands(program: Command) -> Command {
    program.mut_subcommand("measure", |measure| {
        let place = ["radius", "rpm"];
        place.into_iter().fold(measure, |measure, name| {
            measure.mut_arg(name, |arg| {
                arg.required(false).required_unless_present("bands")
            })
        })
    })
}

/// Makes the one capture of `job` that of each stretch of its recording.
fn take_in_stretches(job: &mut Job, of: usize, request: &Request) -> Result<(), String> {
    let whole = job.captures.remove(0);
    job.captures = whole
        .in_stretches(of)
        .map_err(|reason| format!("--stretches: {reason}"))?;
    if request.source == Source::StandardInput {
        return Err(
            "--stretches reads a recording several times, but standard input can be read only once; save it to a file"
                .to_owned(),
        );
    }
    if whole.from_s.is_some() {
        return Ok(());
    }
    let mut progress = Progress::new();
    let bands = analysis::bands(&request.source, &request.options, &mut |f| {
        progress.show("looking for the programme", f);
    });
    let bands = bands.map_err(|e| e.to_string())?;
    let span = analysis::programme(&bands, &request.source.name())?;
    for spec in &mut job.captures {
        let part = spec.stretch().map(|s| s.part([span.from_s, span.to_s]));
        [spec.from_s, spec.to_s] = [part.map(|p| p[0]), part.map(|p| p[1])];
    }
    Ok(())
}

impl Measure {
    /// Runs the command.
    pub fn run(&self) -> Result<Outcome, String> {
        match &self.place {
            Some(place) => self.measure(place),
            None => self.list_bands(),
        }
    }

    /// A line for each band that pauses part.
    fn list_bands(&self) -> Result<Outcome, String> {
        let request = self.recording.request(&self.capture, false)?;
        let name = request.source.name();
        if request.source == Source::StandardInput {
            return Err(
                "--bands reads a recording several times, but standard input can be read only once; save it to a file"
                    .to_owned(),
            );
        }
        let calibration = super::calibration(self.chain.as_deref())?;
        let through = calibration.as_ref().map(|calibration| ChainCorrection {
            calibration,
            leads_swapped: self.situation.leads_swapped,
        });
        let mut progress = Progress::new();
        let spans = analysis::bands(&request.source, &request.options, &mut |f| {
            progress.show("looking for pauses", f);
        })
        .map_err(|e| e.to_string())?;
        let mut bands = Vec::new();
        for (k, span) in spans.iter().enumerate() {
            let request = Request {
                from_s: Some(span.from_s),
                to_s: Some(span.to_s),
                ..request.clone()
            };
            let what = format!("band {} of {}", k + 1, spans.len());
            let mut shown = |f| progress.show(&what, f);
            let taken = analysis::read_spectrum(&request, &mut shown).map_err(|e| e.to_string())?;
            let quality = &taken.spectrum.quality;
            let powers = [quality.left_power, quality.right_power];
            let tone = analysis::tone(&request.source, &request.options, [span.from_s, span.to_s]);
            let tone = tone.map_err(|e| e.to_string())?;
            let band = BandFound::of(k, *span).with_powers(powers);
            let band = band.with_kind(&taken.spectrum, tone);
            if band.is_of_one_channel() {
                bands.push(band);
                continue;
            }
            bands.push(
                match analysis::refine(taken, &request.settings, through, &mut shown) {
                    Ok(a) => band.with_delay(
                        a.estimate.delay_s,
                        a.estimate.standard_uncertainty_s,
                        self.common.coverage,
                        a.caveats,
                    ),
                    Err(error) => BandFound {
                        refusal: Some(error.to_string()),
                        ..band
                    },
                },
            );
        }
        drop(progress);
        let list = BandList::new(&name, bands);
        if self.common.json {
            output::print_json(&list)?;
        } else {
            output::print(&list.text(output::width()))?;
        }
        let doubted = |band: &BandFound| Standing::of(&band.warnings).is_doubted();
        let doubt = list.bands.iter().find(|band| doubted(band));
        let warnings = doubt.map_or(&[][..], |band| &band.warnings);
        Ok(Outcome::of(Standing::of(warnings), true))
    }

    fn measure(&self, place: &PlaceArguments) -> Result<Outcome, String> {
        let chain = self.chain.as_ref().map(|c| c.as_os_str());
        let inputs = Inputs::of(chain.into_iter().chain([self.capture.as_os_str()]));
        self.views.check_free(&inputs, &[])?;
        let hash = self.common.json || self.views.any();
        let request = self.recording.request(&self.capture, hash)?;
        let calibration = super::calibration(self.chain.as_deref())?;
        let through = calibration.as_ref().map(|calibration| ChainCorrection {
            calibration,
            leads_swapped: self.situation.leads_swapped,
        });
        let mut job = self
            .situation
            .job(place, &self.recording, &[("", &self.capture)]);
        job.limits.tolerance = self.tolerance.map(|t| t * DEGREE);
        if let Some(of) = self.stretches {
            take_in_stretches(&mut job, usize::from(of), &request)?;
        }
        let terms = calibration.as_ref().map(|c| c.prior_changes().terms);
        let terms = terms.unwrap_or_default();
        let mut progress = Progress::new();
        let mut analyses = Vec::new();
        let mut stretches = Vec::new();
        for (k, spec) in job.captures.iter().enumerate() {
            let request = Request {
                from_s: spec.from_s,
                to_s: spec.to_s,
                // the file is hashed once
                options: ReadOptions {
                    hash: hash && k == 0,
                    ..request.options.clone()
                },
                ..request.clone()
            };
            let what = match spec.stretch() {
                Some(_) => format!("stretch {} of {}", k + 1, job.captures.len()),
                None => "reading".to_owned(),
            };
            let mut shown = |f| progress.show(&what, f);
            let analysis = analysis::analyse_corrected(&request, through, &mut shown);
            let analysis = analysis.map_err(|e| match spec.stretch() {
                Some(_) => format!("{e} ({what})"),
                None => e.to_string(),
            })?;
            match spec.stretch() {
                Some(_) => stretches.push(CaptureData::of(&analysis).with_priors(&terms)),
                None => analyses.push(analysis),
            }
        }
        drop(progress);
        if let Some(calibration) = &calibration {
            let own = BTreeMap::from([(String::new(), calibration.clone())]);
            job::replace_priors(&mut job, &own);
        }
        let coverage = self.common.coverage;
        let Measured {
            measurement,
            solved,
            data,
        } = match &analyses[..] {
            [whole] => job::measure(&job, whole, &terms, coverage, []),
            _ => job::measure_stretches(&job, stretches, coverage),
        }
        .map_err(|e| e.to_string())?;
        let mut written = Ok(());
        if self.views.any() {
            let details = Details::of(&job, &data, &solved);
            written = self.views.write(&page::measurement(
                &measurement,
                &page::About {
                    job: &job,
                    file: None,
                    details: &details,
                    coverage,
                    basis: None,
                    metadata: self.views.report_metadata,
                },
            ));
        }
        if self.common.json {
            output::print_json(&measurement)?;
        } else {
            let width = output::width();
            let mut text = measurement.text(width);
            if self.views.sketch {
                let seen = measurement.rotation_deg.map(|q| ("Rotation", q));
                let angle = seen.or(measurement.cut_rotation_deg.map(|q| ("Cut", q)));
                let list: Vec<_> = angle.iter().map(|(n, q)| ((*n).to_owned(), *q)).collect();
                text.push('\n');
                text += &sketch::rotations(&list, None, width);
                text += &match &measurement.over_radius {
                    Some(curve) => sketch::over_radius(&curve.stretches, width),
                    None => sketch::recordings(&Details::of(&job, &data, &solved), width),
                };
            }
            output::print(&text)?;
        }
        written?;
        let met = self.tolerance.is_none() || measurement.conformity.is_some_and(|c| c.is_kept());
        let met = met || measurement.rotation_deg.is_none();
        Ok(Outcome::of(Standing::of(&measurement.warnings), met))
    }
}
