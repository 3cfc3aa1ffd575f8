//! What jobs export adds up to what one job of all their captures finds.

use super::tests::{LOW, as_predicted, capture, deg, rows, um, worked_example};
use super::*;
use crate::delay::with_response;
use crate::groove::Profile;
use crate::units::{MICROSECOND, MILLIMETRE};
use approx::assert_relative_eq;

/// Delays as predicted, each off by some of its uncertainty, from recordings of their own.
fn somewhat_off(job: &Job) -> Vec<Option<CaptureData>> {
    let u = 0.005 * MICROSECOND;
    let off = |at: usize| (at * 7 % 5) as f64 * 0.4 - 0.8;
    let data = as_predicted(job).into_iter().flatten().enumerate();
    let moved = data.map(|(at, d)| {
        let delay = d.information.vector[0] / d.information.matrix[[0, 0]] + off(at) * u;
        let of_delay = CaptureData::of_delay(delay, u);
        Some(CaptureData {
            sha256: Some(format!("{:?}", job.captures[at])),
            information: with_response(of_delay.information, 0.02 * MICROSECOND),
            ..of_delay
        })
    });
    moved.collect()
}

/// What a job's captures say, through the text of its file.
fn exported(job: &Job, data: &[Option<CaptureData>], name: &str) -> Knowledge {
    let known = job.knowledge(data);
    let read = Knowledge::parse(&known.to_text(), name).unwrap();
    assert_eq!(read.to_text(), known.to_text());
    read
}

/// The captures of `joint` in jobs of their own, the first `split` of them in the first, on days of
/// their own: radii, speeds and turns are read anew.
fn in_two_jobs(mut joint: Job, split: usize) -> ([Job; 2], Job) {
    for (at, c) in joint.captures.iter_mut().enumerate() {
        let day = if at < split {
            "2026-02-03"
        } else {
            "2026-09-10"
        };
        c.date = Some(day.into());
    }
    let of = |captures: &[CaptureSpec]| Job {
        captures: captures.to_vec(),
        ..joint.clone()
    };
    let parts = [of(&joint.captures[..split]), of(&joint.captures[split..])];
    (parts, joint)
}

/// The worked example's last row: the tip called S first.
fn last_row() -> ([Job; 2], Job) {
    let mut captures = rows().remove(8).0;
    captures.sort_by_key(|c| c.setup != "S");
    let split = captures.iter().filter(|c| c.setup == "S").count();
    let joint = Job {
        captures,
        ..worked_example()
    };
    in_two_jobs(joint, split)
}

/// Holds values and uncertainties of one job against another's, as shares of u; returns how many
/// unknowns they share.
fn agrees(one: &Solved, other: &Solved, within: f64, names: impl Fn(&str) -> bool) -> usize {
    let mut compared = 0;
    for (k, p) in one.network.parameters.iter().enumerate() {
        let id = p.id.as_str();
        let Some(j) = other.network.unknown(id).filter(|_| names(id)) else {
            continue;
        };
        let u = other.adjustment.uncertainty(j);
        let found = one.adjustment.uncertainty(k);
        let off = one.adjustment.values[k] - other.adjustment.values[j];
        assert!((found / u - 1.0).abs() < within, "{id}: u {found} {u}");
        assert!(off.abs() < within * u, "{id}: {} u off", off / u);
        compared += 1;
    }
    compared
}

fn is_lasting(id: &str) -> bool {
    let kinds = ["record.", "cartridge.", "chain."];
    // each mounting of a cartridge has a prior of its own
    let of_job = id.contains('[') || id.ends_with(".stylus_to_body_deg");
    kinds.iter().any(|kind| id.starts_with(kind)) && !of_job
}

/// What two jobs find, one after the other or added, is what they find as one: priors count once, and so
/// does each capture.
#[test]
fn exports_add_up_to_the_joint_job() {
    let ([first, second], joint) = last_row();
    let data = somewhat_off(&joint);
    let (of_first, of_second) = data.split_at(first.captures.len());
    let known = exported(&first, of_first, "ball.toml");
    let dates: Vec<_> = known.captures().map(|(c, _)| c.date.clone()).collect();
    assert_eq!(dates, vec![Some("2026-02-03".into()); first.captures.len()]);
    let together = solve(&joint, &data, 0.95).unwrap();
    let mut later = second.clone();
    later.knowledge = vec![known.clone()];
    later.setups.remove("S");
    let after = solve(&later, of_second, 0.95).unwrap();
    let of_second_job = |id: &str| !id.starts_with("capture.");
    assert!(agrees(&after, &together, 1e-6, of_second_job) > 8);

    // added, and taken into a job that has next to nothing of its own
    let list = [known.clone(), exported(&second, of_second, "stylus.toml")];
    let sum = Knowledge::sum(&list).unwrap();
    let mut nothing = worked_example();
    nothing.captures = vec![capture("E", LOW, 0.0, false), capture("S", LOW, 0.0, false)];
    let blunt = vec![Some(CaptureData::of_delay(0.0, 1.0)); 2];
    for knowledge in [
        vec![Knowledge::parse(&sum.to_text(), "sum.toml").unwrap()],
        list.to_vec(),
    ] {
        nothing.knowledge = knowledge;
        let found = solve(&nothing, &blunt, 0.95).unwrap();
        // but for the mountings of its own, of which something is known
        assert!(agrees(&found, &together, 1e-4, is_lasting) > 8);
        assert_eq!(found.solution.in_doubt, None);
    }
}

/// The same where one job alone cannot say where the unknowns are: the rotation of a line contact
/// that stays mounted, from a turn to either side, with its sizes unknown.
#[test]
fn exports_of_strongly_non_linear_jobs_add_up() {
    let mut joint = worked_example();
    let tip = joint.cartridges.get_mut("E").unwrap();
    *tip = Cartridge {
        profile: Some(Profile::Line),
        ..Cartridge::default()
    };
    let setup = joint.setups.get_mut("E").unwrap();
    setup.rotation = deg(6.0, 5.0);
    setup.mounted = Some("2026-01-01".into());
    joint.captures = [-6.0, 0.0, 6.0]
        .iter()
        .flat_map(|&turn| [LOW, 45.0].map(|rpm| capture("E", rpm, turn, false)))
        .chain([capture("S", LOW, 0.0, false), capture("S", LOW, 0.0, true)])
        .collect();
    let split = 4;
    let ([first, second], joint) = in_two_jobs(joint, split);
    let data = somewhat_off(&joint);
    let (of_first, of_second) = data.split_at(split);
    let together = solve(&joint, &data, 0.95).unwrap();
    let mut later = second;
    later.knowledge = vec![exported(&first, of_first, "first.toml")];
    let after = solve(&later, of_second, 0.95).unwrap();
    let shared = |id: &str| is_lasting(id) || id.ends_with("rotation_deg");
    assert!(agrees(&after, &together, 1e-6, shared) > 8);
}

/// Stretches of one recording share its radii where they are included, too.
#[test]
fn stretches_of_a_recording_stay_together() {
    let mut joint = worked_example();
    joint.setups.get_mut("E").unwrap().arm = ArmOf::Unknown;
    let whole = [145.0 * MILLIMETRE, 65.0 * MILLIMETRE];
    let stretches = (0..4).map(|which| {
        let stretch = Stretch { which, of: 4 };
        CaptureSpec {
            source: DelaySource::File("side.wav".into()),
            band: Some(BandOf::stretch(stretch)),
            radius: stretch.part(whole),
            ..capture("E", LOW, 0.0, false)
        }
    });
    let after = [45.0, LOW].map(|rpm| capture("S", rpm, 0.0, false));
    joint.captures = stretches.chain(after).collect();
    let ([first, second], joint) = in_two_jobs(joint, 4);
    let data = somewhat_off(&joint);
    let (of_first, of_second) = data.split_at(4);
    let together = solve(&joint, &data, 0.95).unwrap();
    let mut later = second;
    later.setups.remove("E");
    later.knowledge = vec![exported(&first, of_first, "side.toml")];
    let names: Vec<_> = (later.knowledge[0].captures())
        .map(|(c, _)| c.describe(0))
        .collect();
    assert_eq!(names[3], "side.wav, stretch 4 of 4");
    let after = solve(&later, of_second, 0.95).unwrap();
    let not_of_one = |id: &str| !id.starts_with("capture.");
    assert!(agrees(&after, &together, 1e-6, not_of_one) > 8);
}

/// What several files share and the job has not, a ball that stayed mounted for one, is one thing.
#[test]
fn what_only_exports_share_is_one_thing() {
    let mut joint = worked_example();
    let ball = Cartridge {
        profile: Some(Profile::Spherical),
        ..Cartridge::default()
    };
    joint.cartridges.insert("B".into(), ball);
    let mounted = Setup {
        cartridge: "B".into(),
        mounted: Some("2026-01-01".into()),
        ..Setup::default()
    };
    joint.setups.insert("B".into(), mounted);
    joint.records.insert("Q".into(), joint.records["R"].clone());
    let on = |record: &str, mut c: CaptureSpec| {
        c.record = record.into();
        c
    };
    let ball = |record: &str| {
        [(LOW, false), (45.0, false), (LOW, true)]
            .map(|(rpm, swapped)| on(record, capture("B", rpm, 0.0, swapped)))
    };
    let stylus = ["R", "Q"].map(|record| on(record, capture("E", LOW, 0.0, false)));
    joint.captures = [ball("R").to_vec(), ball("Q").to_vec(), stylus.to_vec()].concat();
    let days = ["2026-02-03", "2026-02-04", "2026-02-05"];
    for (at, c) in joint.captures.iter_mut().enumerate() {
        c.date = Some(days[at / 3].into());
    }
    let data = somewhat_off(&joint);
    let together = solve(&joint, &data, 0.95).unwrap();
    let part = |range: std::ops::Range<usize>| Job {
        captures: joint.captures[range].to_vec(),
        ..joint.clone()
    };
    let mut last = part(6..8);
    last.cartridges.remove("B");
    last.setups.remove("B");
    last.knowledge = vec![
        exported(&part(0..3), &data[0..3], "R.toml"),
        exported(&part(3..6), &data[3..6], "Q.toml"),
    ];
    let path = "setup.B.ball_path_um";
    let name = format!("{path}[2026-01-01]");
    let found = solve(&last, &data[6..8], 0.95).unwrap();
    let compared = agrees(&found, &together, 1e-6, |id| {
        is_lasting(id) || id == "setup.E.rotation_deg"
    });
    assert!(compared > 12, "{compared}");
    let included = |solved: &Solved, id: &str| {
        let k = solved
            .network
            .parameters
            .iter()
            .position(|p| p.id == id)
            .unwrap();
        solved.adjustment.uncertainty(k)
    };
    assert_relative_eq!(
        included(&found, &name),
        included(&together, path),
        max_relative = 1e-6
    );
    // what it has told before is not told again
    let again = exported(&last, &data[6..8], "E.toml");
    assert_eq!(again.captures().count(), 2);
    assert!(!again.objects().contains("cartridge.B"));

    // a setup that was taken down is another one when it is mounted again
    let mut remounted = part(3..6);
    remounted.setups.get_mut("B").unwrap().mounted = Some("2026-02-04".into());
    remounted.knowledge = vec![exported(&part(0..3), &data[0..3], "R.toml")];
    let carried_on = Job {
        setups: joint.setups.clone(),
        ..remounted.clone()
    };
    let u = |job: &Job| included(&solve(job, &data[3..6], 0.95).unwrap(), path);
    assert!(u(&carried_on) < u(&remounted), "{}", u(&remounted));
}

/// Captures made with some things alone, and what these are called.
#[test]
fn captures_of_one_thing_can_be_taken_out() {
    let (_, joint) = last_row();
    let all = exported(&joint, &somewhat_off(&joint), "all.toml");
    let only = |wanted: &str| all.only(&[wanted.to_owned()]);
    let ball = only("cartridge.S").unwrap();
    assert_eq!(
        Vec::from_iter(ball.objects()),
        ["cartridge.S", "chain.C", "record.R"]
    );
    let of_ball = joint.captures.iter().filter(|c| c.setup == "S").count();
    assert_eq!(ball.captures().count(), of_ball);
    assert_eq!(Knowledge::parse(&ball.to_text(), "all.toml"), Ok(ball));
    assert_eq!(only("record").unwrap(), all);
    let message = only("record.Q").unwrap_err().to_string();
    assert!(
        message.contains("'all.toml' holds no capture made with 'record.Q'")
            && message.contains("cartridge.E, cartridge.S, chain.C, record.R"),
        "{message}"
    );
}

#[test]
fn the_same_capture_twice_is_refused() {
    let ([first, mut second], joint) = last_row();
    let data = somewhat_off(&joint);
    let (of_first, of_second) = data.split_at(first.captures.len());
    let known = exported(&first, of_first, "ball.toml");
    let copy = Knowledge {
        source: "copy.toml".into(),
        ..known.clone()
    };
    let refused = Knowledge::sum(&[known.clone(), copy])
        .unwrap_err()
        .to_string();
    assert!(
        refused.contains("'ball.toml' and 'copy.toml'") && refused.contains("delay 1"),
        "{refused}"
    );
    second.knowledge = vec![known];
    let mut again = of_second.to_vec();
    again[1].as_mut().unwrap().sha256 = of_first[0].as_ref().unwrap().sha256.clone();
    let refused = solve(&second, &again, 0.95).err().unwrap().to_string();
    assert!(
        refused.contains("ball.toml") && refused.contains("capture 2"),
        "{refused}"
    );

    // a delay that is given is known by what is said of it
    let given = as_predicted(&first);
    let held = exported(&first, &given, "given.toml");
    let mut other = first.clone();
    for again in [true, false] {
        let list = [held.clone(), exported(&other, &given, "other.toml")];
        assert_eq!(Knowledge::sum(&list).is_err(), again);
        for c in &mut other.captures {
            c.date = Some("2026-02-04".into());
        }
    }
}

/// What an earlier job stated stands in for what this one would only assume; what this job states, stands.
#[test]
fn what_was_stated_before_is_not_stated_again() {
    let ([mut first, _], _) = last_row();
    first.cartridges.get_mut("S").unwrap().frontal_radius = um(18.0, 0.1);
    let data = somewhat_off(&first);
    let known = exported(&first, &data, "ball.toml");
    let mut later = worked_example();
    later.captures = vec![capture("S", LOW, 0.0, false)];
    later.knowledge = vec![known];
    let prior = |stated: Stated| {
        let mut job = later.clone();
        job.cartridges.get_mut("S").unwrap().frontal_radius = stated;
        let solved = solve(&job, &as_predicted(&job), 0.95).unwrap();
        let k = solved.network.unknown("cartridge.S.frontal_radius_um");
        let parameter = &solved.network.parameters[k.unwrap()];
        (parameter.prior.u * 1e6, parameter.origin.clone())
    };
    let (u, origin) = prior(Stated::default());
    assert_relative_eq!(u, 0.1, max_relative = 1e-9);
    assert_eq!(origin, "stated in 'ball.toml'");
    let (u, origin) = prior(um(17.9, 0.3));
    assert_relative_eq!(u, 0.3, max_relative = 1e-9);
    assert_eq!(origin, "stated");
    // what is exact here stays so
    let mut job = later;
    job.chains.get_mut("C").unwrap().skew = Stated::with_u(0.0, 0.0);
    let solved = solve(&job, &as_predicted(&job), 0.95).unwrap();
    assert_eq!(solved.network.unknown("chain.C.skew_us"), None);
}

/// What a calibration leaves of a chain's skew is another quantity than the whole, or than what another
/// calibration leaves; a tip is of one kind.
#[test]
fn the_same_name_means_the_same_thing() {
    let ([first, second], _) = last_row();
    let data = somewhat_off(&first);
    let readings = somewhat_off(&second);
    let u = |theirs: Option<&str>, own: Option<&str>| {
        let corrected = |job: &Job, by: Option<&str>| {
            let mut job = job.clone();
            job.chains.get_mut("C").unwrap().corrected_by = by.map(str::to_owned);
            job
        };
        let mut job = corrected(&second, own);
        job.knowledge = vec![exported(&corrected(&first, theirs), &data, "a.toml")];
        let solved = solve(&job, &readings, 0.95).unwrap();
        let ids = solved.network.parameters.iter();
        let skews = ids.filter(|p| p.id.starts_with("chain.C.skew_us"));
        skews.map(|p| p.id.clone()).collect::<Vec<_>>()
    };
    assert_eq!(u(None, None), ["chain.C.skew_us"]);
    assert_eq!(u(Some("ab"), Some("ab")), ["chain.C.skew_us"]);
    assert_eq!(
        u(Some("ab"), None),
        ["chain.C.skew_us", "chain.C.skew_us[ab]"]
    );
    assert_eq!(
        u(Some("ab"), Some("cd")),
        ["chain.C.skew_us", "chain.C.skew_us[ab]"]
    );
    assert_eq!(
        u(None, Some("cd")),
        ["chain.C.skew_us", "chain.C.skew_us[as it is]"]
    );

    let mut job = second;
    let side = |job: &Job, side: &str| {
        let mut job = job.clone();
        job.records.get_mut("R").unwrap().side = Some(side.to_owned());
        job
    };
    for (theirs, own, refused) in [("A", "A", false), ("A", "B", true)] {
        let job = Job {
            knowledge: vec![exported(&side(&first, theirs), &data, "a.toml")],
            ..side(&job, own)
        };
        let message = solve(&job, &readings, 0.95).err().map(|e| e.to_string());
        let says = "the side of the record 'R' is 'A' in 'a.toml' and 'B' in this job";
        assert_eq!(message.is_some(), refused, "{message:?}");
        assert!(message.is_none_or(|m| m.contains(says)));
    }
    job.knowledge = vec![exported(&first, &data, "a.toml")];
    job.cartridges.get_mut("S").unwrap().profile = Some(Profile::Line);
    let refused = solve(&job, &readings, 0.95).err().unwrap().to_string();
    assert!(
        refused.contains("'a.toml'") && refused.contains("'S'") && refused.contains("this job"),
        "{refused}"
    );
}

#[test]
fn a_knowledge_file_that_is_none_is_refused_with_the_reason() {
    let ([first, _], _) = last_row();
    let known = exported(&first, &somewhat_off(&first), "a.toml");
    let whole = known.to_text();
    // cut short at the end of any line, or changed, it is not what was written
    for (at, _) in whole.match_indices('\n') {
        if at + 1 < whole.len() {
            assert!(Knowledge::parse(&whole[..at], "a.toml").is_err(), "{at}");
        }
    }
    let changed = Knowledge::parse(&whole.replace("weight = 0.", "weight = 0.0"), "a.toml");
    let message = changed.unwrap_err().to_string();
    assert!(message.contains("does not match its sha256"), "{message}");
    assert_eq!(
        Knowledge::parse(&whole.replace('\n', "\r\n"), "a.toml"),
        Ok(known)
    );
    let (_, text) = whole.split_once('\n').unwrap();
    for (from, to, says) in [
        (
            "record = \"R\"",
            "record = \"Q\"",
            "'record.Q' is described but not used",
        ),
        ("[job.record.R", "[job.record.Q", "'record.Q' is described"),
        (
            "[job.cartridge.S",
            "[job.cartridge.T",
            "'cartridge.S' is described",
        ),
        ("format = 2", "format = 3", "format or kind"),
        ("swapped = ", "turned = ", "unknown field"),
        ("vector = [", "vector = [1.0, ", "differ in length"),
        ("matrix = [[", "matrix = [[-", "not positive"),
        ("matrix = [[", "matrix = [[nan], [", "differ in length"),
        ("weight = 0.", "weight = 1.", "invalid"),
        (
            "[job.capture.rpm]\nvalue = ",
            "[job.capture.rpm]\nvalue = -",
            "invalid",
        ),
    ] {
        assert!(text.contains(from), "{from}: {text}");
        let error = Knowledge::parse(&text.replace(from, to), "a.toml").unwrap_err();
        let message = error.to_string();
        assert!(message.contains(says), "{from}: {message}");
    }
    let old = "format = 1\nkind = \"groovelag knowledge\"\ncaptures = []\nids = []\nvalues = []\ncovariance = []\n";
    let message = Knowledge::parse(old, "old.toml").unwrap_err().to_string();
    assert!(
        message.contains("priors included") && message.contains("'old.toml'"),
        "{message}"
    );
    assert!(Knowledge::parse("format = 2", "x").is_err());
}
