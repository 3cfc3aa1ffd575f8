//! Slips that people make when they enter a job: what they cost, and what is made
//! of them. Truths are drawn from the priors that the job states, the delays follow
//! from the geometry with one entry other than it was made, and the job is solved.

use crate::coverage::{READING_U, Truth, delay, normal};
use crate::{Chapter, Outcome, Row, Table, chances, columns};
use groovelag::adjust::{self, Block, Problem};
use groovelag::job::{CaptureData, CaptureSpec, Job, Slip, Solved, file, solve};
use groovelag::uncertainty::Verdict;
use groovelag::units::{DEGREE, MICROMETRE, MICROSECOND, MILLIMETRE};
use rand::RngExt;
use rand_chacha::ChaCha8Rng;
use rayon::prelude::*;

/// The tolerance of the invented job, degrees.
const TOLERANCE_DEG: f64 = 5.0;

/// What a slip adds to chi-square, of which the best test there is, one that knows the
/// slip and asks for nothing else, would find 95 of 100 where chance is accused as seldom
/// as by a contradiction (p < 1e-4, two-sided; one degree of freedom): (3.89 + 1.64)^2, by
/// the normal law. What leaves less cannot be found by anybody.
const VISIBLE: f64 = 30.6;

/// Shares that may not be exceeded: verdicts or turns that survive a visible slip,
/// verdicts that are wrong over all, honest jobs that lose theirs; and least shares of
/// captures and causes named rightly, of slips that the data can tell.
const SURVIVE: f64 = 0.05;
const WRONG: f64 = 0.01;
const HONEST: f64 = 0.01;
const CAPTURE: f64 = 0.9;
const CAUSE: f64 = 0.8;

/// An invented job of eight captures: stylus and ball, two speeds, leads swapped,
/// known turns. The mounting is exact and the arm tangential, so that the drawn
/// rotation is the one that the tolerance is about.
fn job() -> Job {
    let mut text = "format = 1
[limits]
tolerance_deg = 5
[cartridge.E]
profile = \"elliptical\"
frontal_radius_um = { value = 18, u = 1 }
side_radius_um = { value = 8, u = 1 }
[cartridge.S]
profile = \"spherical\"
frontal_radius_um = { value = 16, u = 1 }
[record.R]
[chain.C]
[setup.E]
cartridge = \"E\"
arm = \"tangential\"
rotation_deg = { value = 0, u = 5 }
mounting_deg = { value = 0, u = 0 }
[setup.S]
cartridge = \"S\"
arm = \"tangential\"
rotation_deg = { value = 0, u = 3 }
"
    .to_owned();
    for (setup, rpm, turn, leads) in [
        ("E", 33, 0, "normal"),
        ("E", 45, 0, "normal"),
        ("E", 33, -4, "normal"),
        ("E", 33, 4, "normal"),
        ("E", 33, 0, "swapped"),
        ("S", 33, 0, "normal"),
        ("S", 45, 0, "normal"),
        ("S", 33, 0, "swapped"),
    ] {
        text += &format!(
            "[[capture]]
delay_us = {{ value = 0, u = 0.005 }}
setup = \"{setup}\"
radius_mm = {{ value = 70, u = 0.5 }}
rpm = {rpm}
turn_deg = {turn}
leads = \"{leads}\"
"
        );
    }
    file::parse(&text, "job.toml").expect("a job as the guide describes it")
}

/// What was done in truth: how each capture was made, under which truth, and by
/// what factor its delay was recorded.
struct World {
    made: Vec<(CaptureSpec, Truth, f64)>,
    /// The capture that was entered wrongly, if it is one.
    culprit: Option<usize>,
}

/// Makes a slip: changes what was done, the entries staying as they are.
type Make = fn(&mut World, &mut ChaCha8Rng);

/// A slip with what it is called, and its causes.
struct Kind {
    name: &'static str,
    words: &'static str,
    causes: &'static [Slip],
    make: Make,
}

fn one_of(rng: &mut ChaCha8Rng, which: &[usize]) -> usize {
    which[rng.random_range(0..which.len())]
}

fn culprit(world: &mut World, at: usize) -> &mut (CaptureSpec, Truth, f64) {
    world.culprit = Some(at);
    &mut world.made[at]
}

/// An unknown drawn anew.
fn redraw(truth: &mut Truth, id: &str, value: f64, u: f64, rng: &mut ChaCha8Rng) {
    truth.insert(id.to_owned(), value + u * normal(rng));
}

const ANY: &[usize] = &[0, 1, 2, 3, 4, 5, 6, 7];
const STYLUS: &[usize] = &[0, 1, 2, 3, 4];
const UNTURNED: &[usize] = &[0, 1, 4];
const BALL: &[usize] = &[5, 6, 7];
const TURNED: &[usize] = &[2, 3];

fn kinds() -> Vec<Kind> {
    let kind = |name, words, causes, make| Kind {
        name,
        words,
        causes,
        make,
    };
    vec![
        kind("honest", "no slip", &[], |_, _| {}),
        kind(
            "leads",
            "leads of one capture of the stylus",
            &[Slip::Leads],
            |w, rng| {
                let at = one_of(rng, STYLUS);
                let made = culprit(w, at);
                made.0.swapped = !made.0.swapped;
            },
        ),
        kind(
            "leads-ball",
            "the same of the ball",
            &[Slip::Leads],
            |w, rng| {
                let at = one_of(rng, BALL);
                let made = culprit(w, at);
                made.0.swapped = !made.0.swapped;
            },
        ),
        kind(
            "leads-tip",
            "leads of all captures of the stylus",
            &[Slip::Leads, Slip::TurnSign],
            |w, _| {
                for made in w.made.iter_mut().filter(|m| m.0.setup == "E") {
                    made.0.swapped = !made.0.swapped;
                }
            },
        ),
        kind(
            "speed",
            "speed of one capture of the stylus, not turned",
            &[Slip::Speed],
            |w, rng| {
                let at = one_of(rng, UNTURNED);
                let made = culprit(w, at);
                let fast = made.0.nominal_rpm() > 40.0;
                made.0.rpm.value = Some(if fast { 100.0 / 3.0 } else { 45.0 });
            },
        ),
        kind(
            "speed-ball",
            "the same of the ball",
            &[Slip::Speed],
            |w, rng| {
                let at = one_of(rng, BALL);
                let made = culprit(w, at);
                let fast = made.0.nominal_rpm() > 40.0;
                made.0.rpm.value = Some(if fast { 100.0 / 3.0 } else { 45.0 });
            },
        ),
        kind(
            "turn-sign",
            "sign of one turn",
            &[Slip::TurnSign, Slip::Turn],
            |w, rng| {
                let at = one_of(rng, TURNED);
                let made = culprit(w, at);
                made.0.turn.value = made.0.turn.value.map(|t| -t);
            },
        ),
        kind(
            "turn-signs",
            "sign of all turns",
            &[Slip::TurnSign, Slip::Channels],
            |w, _| {
                for at in TURNED {
                    let turn = &mut w.made[*at].0.turn;
                    turn.value = turn.value.map(|t| -t);
                }
            },
        ),
        kind(
            "turn",
            "one turn misread by 2 degrees",
            &[Slip::Turn],
            |w, rng| {
                let at = one_of(rng, TURNED);
                let off = if rng.random() { 2.0 } else { -2.0 };
                let made = culprit(w, at);
                made.0.turn.value = made.0.turn.value.map(|t| t + off * DEGREE);
            },
        ),
        kind(
            "setup",
            "one capture of another setup, turned by 3 degrees",
            &[Slip::Setup, Slip::Turn],
            |w, rng| {
                let at = one_of(rng, &[0, 1, 2, 3, 4]);
                let off = if rng.random() { 3.0 } else { -3.0 };
                let made = culprit(w, at);
                *made.1.get_mut("setup.E.rotation_deg").expect("an unknown") += off * DEGREE;
            },
        ),
        kind(
            "cartridge",
            "one capture of another cartridge",
            &[Slip::Cartridge, Slip::Setup],
            |w, rng| {
                let at = one_of(rng, &[0, 1, 2, 3, 4]);
                let made = culprit(w, at);
                redraw(&mut made.1, "setup.E.rotation_deg", 0.0, 5.0 * DEGREE, rng);
                redraw(
                    &mut made.1,
                    "cartridge.E.frontal_radius_um",
                    18.0 * MICROMETRE,
                    2.0 * MICROMETRE,
                    rng,
                );
                redraw(
                    &mut made.1,
                    "cartridge.E.side_radius_um",
                    8.0 * MICROMETRE,
                    2.0 * MICROMETRE,
                    rng,
                );
                redraw(
                    &mut made.1,
                    "cartridge.E.skew_us",
                    0.0,
                    0.1 * MICROSECOND,
                    rng,
                );
                redraw(&mut made.1, "cartridge.E.scale", 1.0, 0.08, rng);
            },
        ),
        kind(
            "tips",
            "one capture with the other tip",
            &[Slip::Cartridge],
            |w, rng| {
                let at = one_of(rng, &[0, 1, 4, 5, 6, 7]);
                let made = culprit(w, at);
                made.0.setup = if made.0.setup == "E" { "S" } else { "E" }.to_owned();
            },
        ),
        kind(
            "record",
            "one capture of another record",
            &[Slip::Record],
            |w, rng| {
                let at = one_of(rng, ANY);
                let made = culprit(w, at);
                redraw(
                    &mut made.1,
                    "record.R.cut_rotation_deg",
                    0.0,
                    0.5 * DEGREE,
                    rng,
                );
                redraw(&mut made.1, "record.R.skew_us", 0.0, 0.1 * MICROSECOND, rng);
            },
        ),
        kind(
            "channels",
            "channels of one capture exchanged",
            &[Slip::Channels, Slip::Leads],
            |w, rng| {
                let at = one_of(rng, ANY);
                culprit(w, at).2 = -1.0;
            },
        ),
        kind(
            "channels-all",
            "channels of all captures exchanged",
            &[Slip::Channels, Slip::TurnSign],
            |w, _| {
                for made in &mut w.made {
                    made.2 = -1.0;
                }
            },
        ),
        kind(
            "radius",
            "radius of one capture of the stylus, not turned 20 mm larger",
            &[Slip::Radius],
            |w, rng| {
                let at = one_of(rng, UNTURNED);
                let made = culprit(w, at);
                made.0.radius = made.0.radius.map(|r| r + 20.0 * MILLIMETRE);
            },
        ),
        kind(
            "radius-ball",
            "the same of the ball",
            &[Slip::Radius],
            |w, rng| {
                let at = one_of(rng, BALL);
                let made = culprit(w, at);
                made.0.radius = made.0.radius.map(|r| r + 20.0 * MILLIMETRE);
            },
        ),
        kind(
            "radii",
            "all radii 20 mm larger",
            &[Slip::Radius],
            |w, _| {
                for made in &mut w.made {
                    made.0.radius = made.0.radius.map(|r| r + 20.0 * MILLIMETRE);
                }
            },
        ),
        kind(
            "ball-side",
            "the ball on another side",
            &[Slip::Record],
            |w, rng| {
                let mut other = w.made[5].1.clone();
                redraw(
                    &mut other,
                    "record.R.cut_rotation_deg",
                    0.0,
                    0.5 * DEGREE,
                    rng,
                );
                redraw(&mut other, "record.R.skew_us", 0.0, 0.1 * MICROSECOND, rng);
                for made in w.made.iter_mut().filter(|m| m.0.setup == "S") {
                    made.1.clone_from(&other);
                }
            },
        ),
        kind(
            "chain",
            "another chain from one capture on",
            &[Slip::Chain],
            |w, rng| {
                let from = one_of(rng, &[1, 2, 3, 4, 5, 6, 7]);
                w.culprit = Some(from);
                let by = if rng.random() { 1.0 } else { -1.0 } * MICROSECOND;
                for made in &mut w.made[from..] {
                    *made.1.get_mut("chain.C.skew_us").expect("an unknown") += by;
                }
            },
        ),
        kind(
            "value",
            "a stated radius of the tip off by 8 standard uncertainties",
            &[Slip::Value],
            |w, _| {
                for made in w.made.iter_mut().filter(|m| m.0.setup == "E") {
                    *made
                        .1
                        .get_mut("cartridge.E.side_radius_um")
                        .expect("an unknown") -= 8.0 * MICROMETRE * 0.9;
                }
            },
        ),
    ]
}

/// What became of one world.
#[derive(Debug, Clone, Copy, Default)]
struct Found {
    /// What the slip adds to chi-square.
    trace: f64,
    /// Whether a verdict or a turn was given.
    stated: bool,
    /// Whether it was, and the rotation's band leaves out the truth.
    outside: bool,
    /// Whether the verdict is wrong.
    wrong: bool,
    /// Whether an explanation was found.
    explained: bool,
    /// Whether all name the same capture, or none: the data tell which it is.
    told: bool,
    /// Whether they do, and rightly.
    culprit: bool,
    /// Whether all name the same cause: the data tell which it is.
    alone: bool,
    /// Whether they do, and rightly.
    cause: bool,
    /// Whether one of those named has the cause.
    among: bool,
}

fn trial(kind: &Kind, trial: u64) -> Found {
    let row = format!("slips/{}", kind.name);
    let mut rng = chances(&row, trial);
    let job = job();
    let given = |delays: &[f64]| -> Vec<Option<CaptureData>> {
        let of = |d: &f64| Some(CaptureData::of_delay(*d, READING_U));
        delays.iter().map(of).collect()
    };
    let blank = vec![0.0; job.captures.len()];
    let unknowns = solve(&job, &given(&blank), 0.95).expect("a job that can be solved");
    let truth: Truth = unknowns
        .network
        .parameters
        .iter()
        .map(|p| (p.id.clone(), p.prior.value + p.prior.u * normal(&mut rng)))
        .collect();
    let captures = job.captures.iter().cloned();
    let mut world = World {
        made: captures.map(|c| (c, truth.clone(), 1.0)).collect(),
        culprit: None,
    };
    (kind.make)(&mut world, &mut rng);
    let delays: Vec<f64> = world
        .made
        .iter()
        .map(|(spec, truth, factor)| factor * delay(spec, truth) + READING_U * normal(&mut rng))
        .collect();
    let exact: Vec<f64> = world
        .made
        .iter()
        .map(|(spec, truth, factor)| factor * delay(spec, truth))
        .collect();
    let trace = solve(&job, &given(&exact), 0.95).map_or(f64::INFINITY, |s| trace(&s, &truth));
    let found = match solve(&job, &given(&delays), 0.95) {
        Ok(solved) => judge(kind, &world, &truth, &solved),
        // refused: nothing is stated
        Err(_) => Found::default(),
    };
    Found { trace, ..found }
}

/// What a slip adds to chi-square, of delays that were read exactly: the least that is left
/// where every prior is centred on the truth. It is the parameter of noncentrality of all
/// tests that ask whether there is a slip.
fn trace(exact: &Solved, truth: &Truth) -> f64 {
    let network = &exact.network;
    let problem = &network.problem;
    let x: Vec<f64> = network.parameters.iter().map(|p| truth[&p.id]).collect();
    let centred = problem.blocks().iter().map(|block| {
        let target = match block.kind() {
            adjust::BlockKind::Prior => block.evaluate(&x).values,
            adjust::BlockKind::Data => block.target().clone(),
        };
        let model = |own: &[f64]| {
            let mut all = x.clone();
            let places = block.unknowns().iter().zip(own);
            places.for_each(|(&at, value)| all[at] = *value);
            block.evaluate(&all)
        };
        let vector = block.information().dot(&target);
        Block::data(
            block.label(),
            block.unknowns().to_vec(),
            block.information().clone(),
            &vector,
            model,
        )
        .expect("a block as it was")
    });
    let unknowns = problem.unknowns().iter().zip(&x);
    let unknowns = unknowns.map(|(unknown, truth)| adjust::Unknown {
        start: *truth,
        ..unknown.clone()
    });
    let centred = Problem::new(unknowns.collect(), centred.collect());
    centred.solve().map_or(f64::INFINITY, |s| s.chi_square)
}

fn judge(kind: &Kind, world: &World, truth: &Truth, solved: &Solved) -> Found {
    let setup = solved.solution.setups.iter().find(|s| s.name == "E");
    let setup = setup.expect("a setup");
    let verdict = setup.conformity.map(|c| c.verdict);
    let verdict = verdict.filter(|v| *v != Verdict::Undecided);
    let conforms = truth["setup.E.rotation_deg"].abs() <= TOLERANCE_DEG * DEGREE;
    let named = &solved.solution.explanations;
    let first = named.first();
    let is_cause = |slip: &Slip| kind.causes.contains(slip);
    let stated = verdict.is_some() || setup.correction.is_some();
    let rotation = truth["setup.E.rotation_deg"] / DEGREE;
    let told = first.is_some_and(|f| named.iter().all(|e| e.capture == f.capture));
    let alone = first.is_some_and(|f| named.iter().all(|e| e.slip == f.slip));
    Found {
        trace: 0.0,
        stated,
        outside: stated && !setup.rotation_deg.interval.contains(rotation),
        wrong: verdict.is_some_and(|v| (v == Verdict::Conforming) != conforms),
        explained: first.is_some(),
        alone,
        told,
        culprit: told && first.is_some_and(|e| e.capture == world.culprit),
        cause: alone && first.is_some_and(|e| is_cause(&e.slip)),
        among: named.iter().any(|e| is_cause(&e.slip)),
    }
}

fn row(kind: Kind) -> Row {
    let id = format!("slips/{}", kind.name);
    let kind_name = kind.name;
    let run = move |form: crate::Form| {
        let honest = kind.causes.is_empty();
        let count = if honest {
            form.of(600, 100)
        } else {
            form.of(60, 20)
        };
        let found: Vec<Found> = (0..count as u64)
            .into_par_iter()
            .map(|seed| trial(&kind, seed))
            .collect();
        let count_of = |is: fn(&Found) -> bool| found.iter().filter(|f| is(f)).count();
        let share = |part: usize, whole: usize| part as f64 / whole.max(1) as f64;
        let stated = share(count_of(|f| f.stated), count);
        let outside = share(count_of(|f| f.outside), count);
        let wrong = share(count_of(|f| f.wrong), count);
        let visible = count_of(|f| f.trace >= VISIBLE);
        let survive = share(count_of(|f| f.trace >= VISIBLE && f.stated), visible);
        let explained = count_of(|f| f.explained);
        let among = share(count_of(|f| f.among), explained);
        let (told, alone) = (count_of(|f| f.told), count_of(|f| f.alone));
        let culprit = share(count_of(|f| f.culprit), told);
        let cause = share(count_of(|f| f.cause), alone);
        let percent = |v: f64| format!("{:.1} %", 100.0 * v);
        // of nothing there is no share
        let of = |v: f64, whole: usize| match whole {
            0 => String::new(),
            _ => percent(v),
        };
        let mut cells = vec![
            kind.words.to_owned(),
            count.to_string(),
            percent(stated),
            percent(outside),
            percent(wrong),
        ];
        cells.extend(if honest {
            vec![String::new(); 8]
        } else {
            vec![
                visible.to_string(),
                of(survive, visible),
                explained.to_string(),
                of(among, explained),
                told.to_string(),
                of(culprit, told),
                alone.to_string(),
                of(cause, alone),
            ]
        });
        let mut faults = Vec::new();
        let odd = found.iter().find(|f| honest && f.trace > 0.01);
        if let Some(odd) = odd {
            faults.push(format!("no slip, and it leaves {:.2}", odd.trace));
        }
        let mut ask = |what: &str, found: f64, limit: f64, of: usize| {
            // a binomial count may exceed its share by 3 standard deviations
            let chance = 3.0 * (limit * (1.0 - limit) / of.max(1) as f64).sqrt();
            if found > limit + chance {
                faults.push(format!("{what}: {}", percent(found)));
            }
        };
        ask("survive", survive, SURVIVE, visible);
        ask("wrong verdicts", wrong, WRONG, count);
        if told > 0 && !honest {
            ask("capture misnamed", 1.0 - culprit, 1.0 - CAPTURE, told);
        }
        if alone > 0 && !honest {
            ask("cause misnamed", 1.0 - cause, 1.0 - CAUSE, alone);
        }
        if honest {
            let lost = count_of(|f| !f.stated && f.explained);
            ask(
                "honest jobs that lose theirs",
                share(lost, count),
                HONEST,
                count,
            );
        }
        Outcome {
            cells,
            numbers: vec![stated, wrong],
            fault: (!faults.is_empty()).then(|| faults.join("; ")),
        }
    };
    let short = ["honest", "leads", "speed", "turn-sign", "setup"].contains(&kind_name);
    Row {
        id,
        short,
        run: Box::new(run),
    }
}

pub fn chapter() -> Chapter {
    Chapter {
        name: "slips",
        title: "Slips in a job",
        text: "What a slip of the pen costs, and what the program makes of it. An invented job of eight captures (an elliptical stylus and a ball, two speeds, leads swapped, the stylus turned both ways by 4 degrees), truths drawn from the priors that it states, delays from the geometry, one entry other than the capture was made.",
        tables: vec![Table {
            title: "Slips".to_owned(),
            text: "*Stated*: a verdict or a turn was given all the same, as it should of an honest job. *Outside*: it was, and the truth lies outside the rotation's band (of an honest job in 5 of 100). *Wrong*: the verdict that was given is wrong. *Visible*: jobs in which the best test there is, one that knows the slip and asks for nothing else, would find it in 95 of 100 where chance is accused in one of 10,000: the slip adds 30.6 or more to chi-square where all else is right (computed for each job from the delays without noise and the priors centred on the truth). *Survive*: of these, a verdict or a turn was given: 5 of 100 at most, or the row fails. *Explained*: jobs for which an explanation was found; *among*: one of those named has the cause. *Told*: jobs in which all explanations name one capture (or none), and in which all name one cause, so that the data can tell; of these *capture* is right in 90 of 100 and *cause* in 80, or the row fails.\n\nWhat is not visible cannot be found by anybody from these recordings: at a capture whose delay is next to nothing (most of the ball's) leads, speed and radius hardly matter; at a turned capture the turn, known to 0.2 degrees, hides a wrong speed or radius (not listed); all radii wrong alike look like another lever, the ball on another side like another cut, a size of the tip like another scale of the cartridge; another record whose cut happens to be alike is no contradiction. *Outside* says what that costs: most of it nothing, since what does not show in the delays hardly moves the rotation; the ball on another side costs a band, and its side must be read off the label. Some slips look alike and count as each other's cause: leads of all captures of a tip, and the signs of all its turns; another setup, and another cartridge, of a single capture.".to_owned(),
            columns: columns(&["what was wrong", "jobs", "stated", "outside", "wrong", "visible", "survive", "explained", "among", "told", "capture", "told", "cause"]),
            rows: kinds().into_iter().map(row).collect(),
            plots: Vec::new(),
        }],
    }
}
