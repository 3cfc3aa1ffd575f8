//! Makes the unknowns of a network from a job, and assigns each capture's inputs to them.

use super::super::JobError;
use super::super::description::{
    CaptureSpec, Cartridge, Chain, Estimate, Job, PivotedArm, Record, Setup, Stated, Stretch,
};
use super::super::priors::{self, DefaultPrior};
use super::expected::DataSource;
use super::observation::{Effect, FixedOrUnknown, Observation};
use super::tip_radius::TipRadius;
use super::{
    CaptureData, INCLUDED, KNOWN, Levers, Linear, Parameter, RESPONSE, SCATTER, StylusToBody,
    TermPrior, TrackingModel, id, is_stated, known_in, named, origin,
};
use crate::delay::phase::{EQUALISER, equaliser_term};
use crate::delay::{Node, Owner, Side, Term, crosstalk_phase_term, is_response};
use crate::groove::{ModelInput, Profile};
use crate::units::{DEGREE, MICROSECOND, MILLIMETRE};
use ndarray::{Array1, Array2};
use std::collections::{BTreeMap, BTreeSet};

/// Origin of a prior that comes with a recording's data.
const RECORDING_PRIOR_ORIGIN: &str =
    "the calibration of the chain, or the load that the job states";

/// The objects that a capture was made with.
pub(super) struct Equipment<'a> {
    pub(super) setup: &'a Setup,
    pub(super) cartridge: &'a Cartridge,
    pub(super) record: &'a Record,
    pub(super) chain: &'a Chain,
    /// The arm, if its dimensions are stated, with its name.
    pub(super) arm: Option<(&'a str, &'a PivotedArm)>,
}

impl<'a> Equipment<'a> {
    pub(super) fn of(job: &'a Job, at: usize, spec: &CaptureSpec) -> Result<Self, JobError> {
        let setup = find(&job.setups, &spec.setup, "setup", at, spec)?;
        Ok(Self {
            setup,
            cartridge: find(&job.cartridges, &setup.cartridge, "cartridge", at, spec)?,
            record: find(&job.records, &spec.record, "record", at, spec)?,
            chain: find(&job.chains, &spec.chain, "chain", at, spec)?,
            arm: match setup.arm_name() {
                Some(name) => Some((name, find(&job.arms, name, "arm", at, spec)?)),
                None => None,
            },
        })
    }

    /// Whether the tip is sensitive to its own rotation.
    pub(super) fn is_rotation_sensitive(&self) -> bool {
        self.cartridge.tip() != Profile::Spherical
    }
}

/// An input of the forward model in the job: the last part of its id, its words, its stated
/// value, and its default prior.
pub(super) type Row<'a> = (ModelInput, &'a str, &'a str, Stated, &'a DefaultPrior);

pub(super) struct Builder<'a> {
    /// The job whose captures are being placed.
    pub(super) job: &'a Job,
    /// Its place among included jobs, if it is one.
    pub(super) included: Option<Included<'a>>,
    /// Standard deviation of the scatter between drops, seconds.
    pub(super) scatter: f64,
    /// Levers of spherical tips by all captures together, by id.
    pub(super) levers: &'a Levers,
    pub(super) parameters: Vec<Parameter>,
    pub(super) index: BTreeMap<String, usize>,
    /// Exact values of the job's own quantities, by id.
    exact: BTreeMap<String, f64>,
    /// Unknowns that only included captures have, with their file.
    pub(super) included_only: BTreeMap<usize, usize>,
    pub(super) tracking: BTreeMap<String, TrackingModel>,
    /// Priors that came with the data.
    pub(super) joint_priors: Vec<JointPrior>,
    /// Ids of the unknowns with such priors.
    pub(super) with_joint_prior: BTreeSet<Vec<String>>,
}

/// A prior of several unknowns together.
pub(super) struct JointPrior {
    pub(super) members: Vec<usize>,
    pub(super) prior: TermPrior,
    /// Its words in a budget, if not those of the first unknown.
    pub(super) words: Option<String>,
}

/// A job that is being included.
#[derive(Clone, Copy)]
pub(super) struct Included<'a> {
    pub(super) by: &'a Job,
    /// Index of its file, in the order of the job, and the file's name.
    pub(super) file: usize,
    pub(super) source: &'a str,
    /// Index among all included jobs.
    number: usize,
}

/// Captures and priors of included jobs.
#[derive(Default)]
pub(super) struct IncludedCaptures {
    pub(super) captures: Vec<PlacedCapture>,
    pub(super) mountings: Vec<Mounting>,
    /// Rotations of styli to their bodies, which have a prior only through the mountings.
    pub(super) styli: BTreeSet<usize>,
}

/// A capture with its inputs assigned to unknowns.
pub(super) struct PlacedCapture {
    pub(super) observation: Observation,
    pub(super) data: CaptureData,
    /// Its tip radius observation, where the level is stated.
    pub(super) tip_radius: Option<TipRadius>,
    pub(super) label: String,
    /// The included file that it comes from.
    pub(super) file: Option<usize>,
}

/// Mounting of a cartridge body in the headshell: rotation of the stylus in the
/// headshell minus that to the body, with the prior of this difference.
pub(in crate::job) struct Mounting {
    pub(super) setup: String,
    /// The included file that it comes from.
    pub(super) file: Option<usize>,
    pub(super) rotation: FixedOrUnknown,
    pub(super) stylus: usize,
    pub(in crate::job) known: Estimate,
    pub(in crate::job) origin: String,
}

impl Mounting {
    pub(in crate::job) fn id(&self) -> String {
        format!("setup.{}.mounting_deg", self.setup)
    }

    pub(in crate::job) fn words(&self) -> String {
        let of = named("setup", &self.setup);
        format!("mounting of the cartridge body ({of})")
    }

    /// As a combination of unknowns.
    pub(in crate::job) fn linear(&self) -> Linear {
        let mut linear = Linear::default();
        linear.add(self.rotation, 1.0);
        linear.row.add(self.stylus, -1.0);
        linear
    }
}

impl<'a> Builder<'a> {
    pub(super) fn new(job: &'a Job, scatter: f64, levers: &'a Levers) -> Self {
        Self {
            job,
            included: None,
            scatter,
            levers,
            parameters: Vec::new(),
            index: BTreeMap::new(),
            exact: BTreeMap::new(),
            included_only: BTreeMap::new(),
            tracking: BTreeMap::new(),
            joint_priors: Vec::new(),
            with_joint_prior: BTreeSet::new(),
        }
    }
}

impl Builder<'_> {
    /// The id that an unknown of the job being placed shares with the other jobs; `None` where it belongs
    /// to that job alone. The residual of a calibrated chain or crosstalk is another quantity than the
    /// whole, and a setup that stays mounted is identified by its day.
    fn shared(&self, id: &str) -> Option<String> {
        let Some(of) = self.included else {
            return Some(id.to_owned());
        };
        let (kind, rest) = id.split_once('.')?;
        let (name, key) = rest.rsplit_once('.')?;
        let beside = |whose: Option<&String>, here: Option<Option<&String>>| match (whose, here) {
            (whose, Some(here)) if whose == here => String::new(),
            (None, None) => String::new(),
            (whose, _) => format!("[{}]", whose.map_or("as it is", String::as_str)),
        };
        let suffix = match (kind, key) {
            ("record", _) if id.contains(".radius_mm[") => return None,
            ("record" | "arm" | "calibration", _) => String::new(),
            ("chain", _) => beside(
                self.job.chains.get(name)?.corrected_by.as_ref(),
                of.by.chains.get(name).map(|c| c.corrected_by.as_ref()),
            ),
            ("cartridge", key) if key == "scale" || key == crosstalk_phase_term().name => beside(
                self.job.cartridges.get(name)?.corrected_by.as_ref(),
                (of.by.cartridges.get(name)).map(|c| c.corrected_by.as_ref()),
            ),
            ("cartridge", _) => String::new(),
            ("setup", "rotation_deg" | "ball_path_um") => {
                let day = self.job.setups.get(name)?.mounted.as_ref();
                day?;
                beside(day, of.by.setups.get(name).map(|s| s.mounted.as_ref()))
            }
            _ => return None,
        };
        Some(format!("{id}{suffix}"))
    }

    /// The unknown called `id`, created if it is new; exact if its uncertainty is zero.
    /// A value stated by an earlier job takes precedence over a default prior of this
    /// one.
    pub(super) fn place(
        &mut self,
        id: String,
        words: impl FnOnce() -> String,
        factor: f64,
        prior: Estimate,
        origin: impl Into<String>,
    ) -> FixedOrUnknown {
        let origin = origin.into();
        let shared = self.shared(&id);
        let origin = match self.included {
            Some(of) if is_stated(&origin) => known_in(of.source),
            _ => origin,
        };
        let name = match (&shared, self.included) {
            (Some(shared), _) => shared.clone(),
            (None, Some(of)) => format!("{INCLUDED}{}.{id}", of.number),
            (None, None) => id,
        };
        if let Some(&k) = self.index.get(&name) {
            let known = &mut self.parameters[k];
            if origin.starts_with(KNOWN) && !known.is_stated() {
                known.prior = prior;
                known.origin = origin;
            }
            return FixedOrUnknown::Unknown(k, known.prior.value);
        }
        if self.included.is_none() && prior.u == 0.0 {
            self.exact.insert(name.clone(), prior.value);
        }
        if let Some(&value) = self.exact.get(&name) {
            return FixedOrUnknown::Exact(value);
        }
        if prior.u == 0.0 {
            return FixedOrUnknown::Exact(prior.value);
        }
        let k = self.parameters.len();
        self.index.insert(name.clone(), k);
        let words = match (shared, self.included) {
            (None, Some(of)) => {
                self.included_only.insert(k, of.file);
                format!("{}, in '{}'", words(), of.source)
            }
            _ => words(),
        };
        self.parameters.push(Parameter {
            id: name,
            words,
            factor,
            prior,
            origin,
        });
        FixedOrUnknown::Unknown(k, prior.value)
    }

    pub(super) fn stated(
        &mut self,
        id: String,
        words: impl FnOnce() -> String,
        stated: Stated,
        default: &DefaultPrior,
    ) -> FixedOrUnknown {
        let origin = origin(stated, default);
        self.place(id, words, default.factor, stated.or(default), origin)
    }

    /// The setup's own unknowns, which exist even without captures.
    pub(super) fn rotation(&mut self, name: &str, setup: &Setup) -> FixedOrUnknown {
        let cartridge = self.job.cartridges.get(&setup.cartridge);
        let default = priors::rotation(cartridge.and_then(|c| c.profile));
        self.stated(
            id::rotation(name),
            || {
                format!(
                    "what was known of the rotation of {} before",
                    named("setup", name)
                )
            },
            setup.rotation,
            default,
        )
    }

    /// The rotations of styli to their bodies, and the priors of the mountings
    /// that relate them to the rotations in the headshell.
    pub(super) fn bodies(
        &mut self,
        rotations: &BTreeMap<String, FixedOrUnknown>,
    ) -> (BTreeMap<String, StylusToBody>, Vec<Mounting>) {
        let job = self.job;
        let first = job.first_captures();
        let recorded = |name: &str| first.get(name).copied().unwrap_or(usize::MAX);
        let mut setups: Vec<(&String, &Setup)> = job.setups.iter().collect();
        setups.sort_by_key(|(name, _)| recorded(name));
        let mut bodies: BTreeMap<String, StylusToBody> = BTreeMap::new();
        let mut mountings = Vec::new();
        for (name, setup) in setups {
            let cartridge = job.cartridges.get(&setup.cartridge);
            if cartridge.is_some_and(|c| c.profile == Some(Profile::Spherical)) {
                continue;
            }
            let first = !bodies.contains_key(&setup.cartridge);
            let Some((stated, default)) = setup.mounting(first) else {
                continue;
            };
            let (known, rotation) = (stated.or(default), rotations[name]);
            if known.u == 0.0 {
                bodies
                    .entry(setup.cartridge.clone())
                    .or_insert(StylusToBody::Mounted(rotation, known.value));
                continue;
            }
            let of = named("cartridge", &setup.cartridge);
            let place = self.place(
                id::stylus_to_body(&setup.cartridge),
                || format!("rotation of the stylus to the body of {of}"),
                DEGREE,
                Estimate::zero(priors::ROTATION.estimate().u.hypot(known.u)),
                "follows from the rotation in the headshell and the mounting",
            );
            if let FixedOrUnknown::Unknown(stylus, _) = place {
                bodies
                    .entry(setup.cartridge.clone())
                    .or_insert(StylusToBody::Unknown(stylus));
                mountings.push(Mounting {
                    setup: name.clone(),
                    file: None,
                    rotation,
                    stylus,
                    known,
                    origin: origin(stated, default),
                });
            }
        }
        (bodies, mountings)
    }

    /// The forward model of a capture: each of its quantities, exact or unknown.
    pub(super) fn observation(
        &mut self,
        at: usize,
        spec: &CaptureSpec,
        with: &Equipment<'_>,
        nodes: Vec<Node>,
        terms: &[Term],
    ) -> Result<Observation, JobError> {
        let rotation = match with.is_rotation_sensitive() {
            // it would only multiply a lever that is nearly zero: see `Tip`
            false => FixedOrUnknown::Exact(with.setup.rotation.or(&priors::BALL_ROTATION).value),
            true => self.rotation(&spec.setup, with.setup),
        };
        // the unknowns stand in the order in which they are placed here
        let mut inputs = vec![
            (ModelInput::Rotation, rotation),
            (ModelInput::Turn, self.turn(spec)),
        ];
        let radii = self.radii(spec, spec.stretch().map_or([0.5; 2], Stretch::fractions));
        inputs.push((ModelInput::Rpm, self.speed(spec)));
        inputs.extend(self.tip(spec, with));
        inputs.extend(self.generator(&with.setup.cartridge, with.cartridge));
        inputs.extend(self.cut(&spec.record, with.record));
        inputs.push((
            ModelInput::ChainSkew,
            self.chain_skew(&spec.chain, with.chain),
        ));
        let arm = with.arm.map(|(name, arm)| self.dimensions(name, arm));
        let arm = arm.unwrap_or_default();
        let tracking = match with.is_rotation_sensitive() {
            true => self.tracking(spec, &with.setup.arm, &arm),
            false => Vec::new(),
        };

        let mut observation = Observation::new(spec, with, nodes, terms.len());
        for (input, place) in inputs.into_iter().chain(arm) {
            observation.depends(place, Effect::Input(input));
        }
        for (place, weights) in radii {
            observation.depends(place, Effect::Radius(weights));
        }
        for (place, course) in tracking {
            observation.depends(place, Effect::Tracking(course));
        }
        if let (Some(hours), true) = (with.setup.hours, with.is_rotation_sensitive()) {
            let name = &with.setup.cartridge;
            let wear = self.stated(
                id::wear(name),
                || format!("wear of {}", named("cartridge", name)),
                with.cartridge.wear,
                &priors::WEAR,
            );
            observation.depends(wear, Effect::Wear(hours));
        }
        if let (Some(arm), Some((name, _))) = (observation.base.arm, with.arm)
            && let Some(&out) = spec.radius.iter().find(|&&r| !arm.reaches(r))
        {
            return Err(JobError::OutOfReach {
                capture: self.name(at, spec),
                arm: name.to_owned(),
                radius_mm: out / MILLIMETRE,
            });
        }
        let scatter = self.place(
            format!("capture.{}.scatter_us", at + 1),
            || SCATTER.to_owned(),
            MICROSECOND,
            Estimate::zero(self.scatter),
            "scatter of the job's own repeated captures",
        );
        observation.depends(scatter, Effect::Term(0, Side::BehindSwap));
        for (row, term) in terms.iter().enumerate().skip(1) {
            let (id, words) = term_name(term, spec, with.setup, at);
            let (prior, origin) = term_prior(term, with);
            let place = self.place(id, || words, 1.0, prior, origin);
            if let FixedOrUnknown::Exact(_) = place {
                return Err(JobError::TermWithoutPrior {
                    capture: self.name(at, spec),
                    term: term.name.clone(),
                });
            }
            observation.depends(place, Effect::Term(row, term.side));
        }
        Ok(observation)
    }

    /// Joint prior of the cuts of each session: the sum of a shared part and a part of each side. Stated cuts
    /// keep their values; the others get the conditional normal distribution given these.
    pub(super) fn sessions(&mut self, job: &Job) {
        let mut sessions: BTreeMap<&str, BTreeMap<String, Stated>> = BTreeMap::new();
        let included = job.knowledge.iter().flat_map(|k| &k.parts);
        let jobs = [job].into_iter().chain(included.map(|part| &part.job));
        for (name, record) in jobs.flat_map(|job| &job.records) {
            if let Some(session) = &record.session {
                let sides = sessions.entry(session).or_default();
                let cut = sides.entry(id::cut(name)).or_default();
                if cut.value.is_none() {
                    *cut = record.cut_rotation;
                }
            }
        }
        let variance = |prior: DefaultPrior| prior.estimate().u.powi(2);
        let [shared, own] = [priors::CUT_OF_SESSION, priors::CUT_OF_SIDE].map(variance);
        for (session, ids) in sessions {
            // a side that is not recorded, or stated exactly, has no unknown
            let aside: Vec<Estimate> = ids
                .iter()
                .filter(|(id, stated)| !self.index.contains_key(*id) && stated.value.is_some())
                .map(|(_, stated)| stated.or(&priors::CUT))
                .collect();
            let unknowns = ids.keys().filter_map(|id| self.index.get(id).copied());
            let (mut members, open): (Vec<usize>, Vec<usize>) =
                unknowns.partition(|&k| self.parameters[k].is_stated());
            if open.is_empty() {
                continue;
            }
            let stated = members.iter().map(|&k| self.parameters[k].prior);
            let known: Vec<Estimate> = stated.chain(aside).collect();
            // weight of each of n known cuts in the shared part
            let gain = shared / (own + known.len() as f64 * shared);
            let sum: f64 = known.iter().map(|s| s.value).sum();
            let variances: Vec<f64> = known.iter().map(|s| s.u * s.u).collect();
            let common = gain * own + gain * gain * variances.iter().sum::<f64>();
            let stated = members.len();
            for &k in &open {
                self.parameters[k].prior = Estimate {
                    value: gain * sum,
                    u: (common + own).sqrt(),
                };
            }
            members.extend(open);
            let values = members.iter().map(|&k| self.parameters[k].prior.value);
            let values = Array1::from_iter(values);
            let covariance =
                Array2::from_shape_fn((members.len(), members.len()), |(a, b)| {
                    match (a < stated, b < stated) {
                        (true, true) if a == b => variances[a],
                        (true, true) => 0.0,
                        (true, false) => gain * variances[a],
                        (false, true) => gain * variances[b],
                        (false, false) => common + if a == b { own } else { 0.0 },
                    }
                });
            let terms = Vec::new();
            let prior = TermPrior {
                terms,
                values,
                covariance,
            };
            let words = Some(format!(
                "cut rotations of session {session}, their shared part and their own"
            ));
            self.joint_priors.push(JointPrior {
                members,
                prior,
                words,
            });
        }
    }

    /// Creates the unknown difference of a file's value of another unknown: file, that unknown, the
    /// difference.
    pub(super) fn difference(
        &mut self,
        file: usize,
        id: &str,
        by: f64,
    ) -> Option<(usize, usize, usize)> {
        let k = *self.index.get(id)?;
        let of = &self.parameters[k];
        let difference = Parameter {
            id: format!("difference.{id}"),
            words: format!("difference of the {}", of.words),
            factor: of.factor,
            prior: Estimate::zero(by * of.prior.u),
            origin: "nothing is known of it before".to_owned(),
        };
        self.parameters.push(difference);
        Some((file, k, self.parameters.len() - 1))
    }

    pub(super) fn name(&self, at: usize, spec: &CaptureSpec) -> String {
        match self.included {
            Some(of) => format!("{} of '{}'", locate(at, spec), of.source),
            None => locate(at, spec),
        }
    }

    /// Places a capture of the current job, with its data.
    pub(super) fn placed(
        &mut self,
        at: usize,
        spec: &CaptureSpec,
        mut data: CaptureData,
    ) -> Result<PlacedCapture, JobError> {
        let read = data
            .information
            .matrix
            .iter()
            .chain(&data.information.vector);
        if !read.copied().all(f64::is_finite) {
            return Err(JobError::Delay(self.name(at, spec)));
        }
        let with = Equipment::of(self.job, at, spec)?;
        if crosstalk_phase_u(with.cartridge) == 0.0 {
            data.information = data.information.without(&crosstalk_phase_term());
        }
        // priors that came with the data make their terms' unknowns first
        for prior in &data.priors {
            let names: Vec<_> = prior
                .terms
                .iter()
                .map(|t| term_name(t, spec, with.setup, at))
                .collect();
            let shared = |(id, _): &(String, String)| self.shared(id).unwrap_or_default();
            if !self
                .with_joint_prior
                .insert(names.iter().map(shared).collect())
            {
                continue;
            }
            let mut members = Vec::new();
            for (k, (id, words)) in names.into_iter().enumerate() {
                let own = Estimate {
                    value: prior.values[k],
                    u: prior.covariance[[k, k]].sqrt(),
                };
                if let FixedOrUnknown::Unknown(at, _) =
                    self.place(id, || words, 1.0, own, RECORDING_PRIOR_ORIGIN)
                {
                    members.push(at);
                }
            }
            if members.len() == prior.terms.len() {
                self.joint_priors.push(JointPrior {
                    members,
                    prior: prior.clone(),
                    words: None,
                });
            }
        }
        let terms = &data.information.terms;
        let observation = self.observation(at, spec, &with, data.nodes.clone(), terms)?;
        Ok(PlacedCapture {
            tip_radius: self.tip_radius(spec, &with, &data, &observation),
            observation,
            label: self.name(at, spec),
            file: self.included.map(|of| of.file),
            data,
        })
    }

    /// A capture's observation of the tip radius by tracing, where its setup states the level.
    pub(super) fn tip_radius(
        &mut self,
        spec: &CaptureSpec,
        with: &Equipment<'_>,
        data: &CaptureData,
        observation: &Observation,
    ) -> Option<TipRadius> {
        let (seen, stated) = (data.tracing?, with.setup.full_scale);
        let default = DefaultPrior {
            u: priors::FULL_SCALE_RELATIVE * stated.value? / priors::FULL_SCALE.factor,
            ..priors::FULL_SCALE
        };
        let words = || {
            let of_setup = named("setup", &spec.setup);
            format!("velocity that full scale stands for in {of_setup}")
        };
        let id = format!("setup.{}.full_scale_cm_s", spec.setup);
        let full_scale = self.stated(id, words, stated, &default);
        let (tip, observation) = (with.cartridge.tip(), observation.clone());
        Some(TipRadius::new(seen, tip, observation, full_scale))
    }

    /// Places the job's own captures; `None` for those that are not recorded.
    pub(super) fn own_captures(
        &mut self,
        readings: DataSource<'_>,
    ) -> Result<Vec<Option<PlacedCapture>>, JobError> {
        let job = self.job;
        let captures = job.captures.iter().enumerate();
        let placed = captures.map(|(at, spec)| {
            let data = match readings {
                DataSource::Real(data) => data.get(at).cloned().flatten(),
                DataSource::Predicted(expected, _) => Some(expected.data(at, spec)),
            };
            data.map(|data| self.placed(at, spec, data)).transpose()
        });
        placed.collect()
    }

    /// Places the captures of included jobs.
    pub(super) fn included_captures(&mut self) -> Result<IncludedCaptures, JobError> {
        let by = self.job;
        let own = std::mem::take(&mut self.tracking);
        let mut earlier = IncludedCaptures::default();
        let mut tips: BTreeMap<&str, (Profile, &str)> = BTreeMap::new();
        let mut identities: BTreeMap<_, (&str, &str)> = BTreeMap::new();
        let own_words = by.identities().into_iter();
        identities.extend(own_words.map(|(k, n, w, value)| ((k, n, w), (value, "this job"))));
        let here = by.cartridges.iter();
        tips.extend(here.map(|(name, c)| (name.as_str(), (c.tip(), "this job"))));
        let parts = by.knowledge.iter().enumerate();
        let parts = parts.flat_map(|(file, k)| k.parts.iter().map(move |part| (file, k, part)));
        for (number, (file, known, part)) in parts.enumerate() {
            let source = known.source.as_str();
            for (kind, name, what, value) in part.job.identities() {
                let key = (kind, name, what);
                let &mut (known, other) = identities.entry(key).or_insert((value, source));
                if known != value {
                    return Err(JobError::NameConflict {
                        thing: format!("{kind} '{name}'"),
                        what,
                        here: format!("'{value}' in '{source}'"),
                        there: format!("'{known}' in {other}"),
                    });
                }
            }
            for (name, cartridge) in &part.job.cartridges {
                let tip = cartridge.tip();
                let (profile, other) = *tips.entry(name).or_insert((tip, source));
                if profile != tip {
                    return Err(JobError::OtherTip {
                        cartridge: name.clone(),
                        file: source.to_owned(),
                        other: other.to_owned(),
                    });
                }
            }
            self.job = &part.job;
            self.scatter = part.scatter;
            self.included = Some(Included {
                by,
                file,
                source,
                number: number + 1,
            });
            let setups = part.job.setups.iter();
            let rotations: BTreeMap<String, FixedOrUnknown> = setups
                .map(|(name, setup)| (name.clone(), self.rotation(name, setup)))
                .collect();
            let (bodies, mountings) = self.bodies(&rotations);
            earlier
                .styli
                .extend(bodies.values().filter_map(StylusToBody::unknown));
            earlier
                .mountings
                .extend(mountings.into_iter().map(|m| Mounting {
                    file: Some(file),
                    ..m
                }));
            for (at, (spec, data)) in part.job.captures.iter().zip(&part.data).enumerate() {
                let placed = self.placed(at, spec, data.clone())?;
                earlier.captures.push(placed);
            }
        }
        self.tracking = own;
        Ok(earlier)
    }
}

/// Prior of a term by its name, with its origin; zero uncertainty means that there is none here (a
/// block that comes with the data may still cover it).
fn term_prior(term: &Term, with: &Equipment<'_>) -> (Estimate, &'static str) {
    if *term == crosstalk_phase_term() {
        let u = crosstalk_phase_u(with.cartridge);
        return (Estimate::zero(u), "crosstalk: as that of the scale");
    }
    if is_response(term) {
        return (Estimate::zero(1.0), RESPONSE);
    }
    let mut parts = EQUALISER.iter();
    let is_part = term.owner == Owner::Chain
        && parts.any(|(seconds, _)| equaliser_term(*seconds).name == term.name);
    let tolerance = with.chain.component_tolerance;
    let u = match is_part {
        true => priors::equaliser_u(tolerance.unwrap_or(priors::COMPONENT_TOLERANCE)),
        false => 0.0,
    };
    (
        Estimate::zero(u),
        "tolerance of the equaliser's parts: stated, or 1 % (common practice, no source)",
    )
}

/// Name of the unknown that a capture's turn is.
pub(in crate::job) fn turn_id(job: &Job, spec: &CaptureSpec) -> String {
    let degrees = tidy(spec.turn.value.unwrap_or(0.0) / DEGREE);
    format!(
        "setup.{}.turn_deg[{degrees}{}]",
        spec.setup,
        suffix(spec.turn.u, job.reading_date(spec))
    )
}

impl Chain {
    /// Prior of the skew in corrected captures, with its origin.
    pub(in crate::job) fn skew_prior(&self) -> (Estimate, String) {
        let default = &priors::CHAIN_SKEW;
        let stated = || (self.skew.or(default), origin(self.skew, default));
        self.beyond.clone().unwrap_or_else(stated)
    }
}

impl Cartridge {
    /// The kind of tip: elliptical where none is stated.
    pub(super) fn tip(&self) -> Profile {
        self.profile.unwrap_or(Profile::Elliptical)
    }
}

/// A cartridge's scale as stated.
pub(super) fn scale(cartridge: &Cartridge) -> Stated {
    Stated {
        u: cartridge
            .scale
            .u
            .or(cartridge.crosstalk_db.map(priors::scale_u)),
        ..cartridge.scale
    }
}

/// Prior standard uncertainty of the phase that crosstalk makes: as large as that of the
/// scale, of which most is crosstalk; apart from it, since the scale has other causes, and
/// crosstalk differs with frequency.
fn crosstalk_phase_u(cartridge: &Cartridge) -> f64 {
    scale(cartridge).or(&priors::SCALE).u
}

/// Id and words of a term's unknown.
fn term_name(term: &Term, spec: &CaptureSpec, setup: &Setup, at: usize) -> (String, String) {
    let (owner, words) = match &term.owner {
        // a budget names no file: pages are shown to others
        Owner::Capture => (format!("capture.{}", at + 1), format!("capture {}", at + 1)),
        Owner::Chain => (format!("chain.{}", spec.chain), named("chain", &spec.chain)),
        Owner::Cartridge => (
            format!("cartridge.{}", setup.cartridge),
            named("cartridge", &setup.cartridge),
        ),
        Owner::Record => (
            format!("record.{}", spec.record),
            named("record", &spec.record),
        ),
        Owner::Calibration(id) => (format!("calibration.{id}"), format!("calibration {id}")),
    };
    (
        format!("{owner}.{}", term.name),
        format!("{} of {words}", term.name),
    )
}

/// Name of a capture in a message.
pub(in crate::job) fn locate(at: usize, spec: &CaptureSpec) -> String {
    let what = format!("capture {} ({}", at + 1, spec.describe(at));
    match spec.line {
        Some(line) => format!("{what}, line {line})"),
        None => what + ")",
    }
}

/// Stated uncertainties and other dates make unknowns of their own: the same radius read
/// twice, with different care or on different days, is two readings.
pub(super) fn suffix(u: Option<f64>, date: Option<&str>) -> String {
    let u = u.map_or_else(String::new, |u| format!(" u {u:e}"));
    u + &date.map_or_else(String::new, |date| format!(" on {date}"))
}

/// Appends the date of a reading to its words, where it has one of its own.
pub(super) fn append_date(date: Option<&str>) -> String {
    date.map_or_else(String::new, |date| format!(" ({date})"))
}

/// A number as shown to the user, without rounding errors of unit conversion.
pub(in crate::job) fn tidy(value: f64) -> f64 {
    (value * 1e6).round() / 1e6 + 0.0
}

pub(super) fn find<'a, T>(
    map: &'a BTreeMap<String, T>,
    name: &str,
    kind: &'static str,
    at: usize,
    spec: &CaptureSpec,
) -> Result<&'a T, JobError> {
    map.get(name).ok_or_else(|| JobError::Missing {
        capture: locate(at, spec),
        kind,
        name: name.to_owned(),
        known: map.keys().cloned().collect::<Vec<_>>().join(", "),
    })
}

/// Budget line of the unknowns that only an included file has.
pub(super) fn included_words(source: &str) -> String {
    format!("captures of '{source}'")
}
