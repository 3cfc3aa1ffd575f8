//! Following a stream of a minute, 96 kHz and 24 bits, fed at full speed on one
//! thread, against `measure` on the same bytes. A time of 3 s is 5 % of a core
//! in real time. Update by update it depends on the adjustment, not on the
//! sample rate.

use divan::Bencher;
use divan::counter::ItemsCount;
use std::io::Write;
use std::process::{Command, Stdio};

const RATE: usize = 96_000;
const SECONDS: usize = 60;

fn main() {
    divan::main();
}

/// Two channels of one noise with a little of their own, as raw samples.
fn stream() -> Vec<u8> {
    let mut state = 1u64;
    let mut noise = || {
        state = state
            .wrapping_mul(6364136223846793005)
            .wrapping_add(1442695040888963407);
        (state >> 40) as f64 / 16_777_216.0 - 0.5
    };
    let mut before = 0.0;
    let mut bytes = Vec::with_capacity(6 * RATE * SECONDS);
    for _ in 0..RATE * SECONDS {
        let common = noise();
        for weight in [0.3, 0.2] {
            let value = weight * common + (0.4 - weight) * before + 0.01 * noise();
            let integer = (value * 8_388_608.0) as i32;
            bytes.extend_from_slice(&integer.to_le_bytes()[..3]);
        }
        before = common;
    }
    bytes
}

fn run(bencher: Bencher, command: &str) {
    let stream = stream();
    bencher.counter(ItemsCount::new(SECONDS)).bench_local(|| {
        let mut child = Command::new(env!("CARGO_BIN_EXE_groovelag"))
            .args([command, "-", "--radius", "72", "--rpm", "33", "--json"])
            .args(["--raw", "s24le,96000,2", "--threads", "1"])
            .stdin(Stdio::piped())
            .stdout(Stdio::null())
            .spawn()
            .expect("the program");
        let mut input = child.stdin.take().expect("its input");
        input.write_all(&stream).expect("a reader");
        drop(input);
        assert!(child.wait().expect("its end").success());
    });
}

#[divan::bench(sample_count = 5)]
fn follow(bencher: Bencher) {
    run(bencher, "follow");
}

#[divan::bench(sample_count = 5)]
fn measure(bencher: Bencher) {
    run(bencher, "measure");
}
