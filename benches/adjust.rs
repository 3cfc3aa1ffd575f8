//! Cost of a job against its captures and setups. The aim: 300 captures of 40
//! setups well under a second, growth linear in captures and no worse than the
//! cube of the unknowns.

use divan::Bencher;
use groovelag::groove::Profile;
use groovelag::job::{
    CaptureData, CaptureSpec, Cartridge, Chain, DelaySource, Job, Record, Setup, Stated, solve,
};
use groovelag::units::{DEGREE, MICROMETRE, MICROSECOND, MILLIMETRE};

fn main() {
    divan::main();
}

/// An invented laboratory: `captures` spread over `setups`, on a few records
/// and cartridges, with two speeds, swapped leads and (`tips_known`) turns among
/// them; delays that a linear rule gives, which is near enough for a cost.
fn laboratory(captures: usize, setups: usize, tips_known: bool) -> (Job, Vec<Option<CaptureData>>) {
    let mut job = Job::default();
    for k in 0..4 {
        let mut cartridge = Cartridge::default();
        if tips_known {
            cartridge.profile = Some(Profile::Elliptical);
            cartridge.frontal_radius = Stated::number(18.0 * MICROMETRE);
            cartridge.side_radius = Stated::number(8.0 * MICROMETRE);
        }
        job.cartridges.insert(format!("cartridge {k}"), cartridge);
        job.records.insert(format!("record {k}"), Record::default());
    }
    job.chains.insert("chain".into(), Chain::default());
    for k in 0..setups {
        let setup = Setup {
            cartridge: format!("cartridge {}", k % 4),
            ..Setup::default()
        };
        job.setups.insert(format!("setup {k}"), setup);
    }
    let mut data = Vec::new();
    for i in 0..captures {
        let (setup, round) = (i % setups, i / setups);
        let turn = if tips_known {
            [0.0, -4.0, 4.0, 0.0, 0.0, -2.0, 2.0, 6.0][round % 8]
        } else {
            0.0
        };
        let fast = round % 8 == 3;
        let swapped = round % 8 == 4;
        job.captures.push(CaptureSpec {
            source: DelaySource::Planned,
            band: None,
            setup: format!("setup {setup}"),
            record: format!("record {}", setup % 3),
            chain: "chain".into(),
            radius: [(72.0 + (round / 8) as f64) * MILLIMETRE; 2],
            radius_u: None,
            rpm: Stated::number(if fast { 45.0 } else { 100.0 / 3.0 }),
            turn: Stated::number(turn * DEGREE),
            swapped,
            channels: None,
            from_s: None,
            to_s: None,
            date: None,
            note: None,
            line: None,
        });
        let rotation = (setup % 11) as f64 - 5.0 + turn;
        let delay =
            rotation * if fast { 1.0 / 1.35 } else { 1.0 } * if swapped { -1.0 } else { 1.0 };
        data.push(Some(CaptureData::of_delay(
            delay * MICROSECOND,
            0.02 * MICROSECOND,
        )));
    }
    (job, data)
}

const SIZES: [(usize, usize); 6] = [(1, 1), (8, 1), (75, 10), (150, 20), (300, 40), (600, 40)];

/// Tips stated: their levers are known well, and the linearised bands hold.
#[divan::bench(args = SIZES, sample_count = 5)]
fn solve_job(bencher: Bencher, (captures, setups): (usize, usize)) {
    let (job, data) = laboratory(captures, setups, true);
    bencher.bench(|| solve(&job, &data, 0.95).unwrap().solution);
}

/// Tips not stated and no turns, so that the levers stay open: every band is
/// taken from the distribution itself.
#[divan::bench(args = SIZES, sample_count = 3)]
fn solve_job_of_unknown_tips(bencher: Bencher, (captures, setups): (usize, usize)) {
    let (job, data) = laboratory(captures, setups, false);
    bencher.bench(|| solve(&job, &data, 0.95).unwrap().solution);
}
