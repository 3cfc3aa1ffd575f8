//! Rendering a page of the workshop job's eight recordings (at their most: the
//! pictures of ten are shown), and single pictures. A page is to take less than a
//! second.

use divan::{Bencher, black_box};
use groovelag::analysis::{self, Request};
use groovelag::job::{self, CaptureData, Details};
use groovelag::report::page::{self, About, Page};
use groovelag::report::picture;
use groovelag::{capture, delay};
use std::path::Path;

fn main() {
    divan::main();
}

fn workshop() -> Page {
    let file = Path::new(env!("CARGO_MANIFEST_DIR")).join("test-signals/workshop/job.toml");
    let mut job = job::file::read(&file).expect("the job");
    let (data, _) = job::file::gather(&mut job, &file, |reading| {
        let request = Request {
            source: capture::Source::Path(reading.path.clone()),
            options: capture::ReadOptions::default(),
            from_s: None,
            to_s: None,
            settings: delay::EstimateSettings::default(),
        };
        analysis::analyse(&request, &mut |_| ()).map(|a| CaptureData::of(&a))
    })
    .expect("its recordings");
    let solved = job::solve(&job, &data, 0.95).expect("its solution");
    let about = About {
        job: &job,
        file: Some("job.toml"),
        details: &Details::of(&job, &data, &solved),
        coverage: 0.95,
        basis: None,
        metadata: false,
    };
    page::solution(&solved.solution, &about)
}

#[divan::bench]
fn html(bencher: Bencher) {
    let page = workshop();
    bencher.bench(|| black_box(&page).html().expect("the page"));
}

#[divan::bench]
fn one_svg(bencher: Bencher) {
    let page = workshop();
    let phase = page
        .pictures()
        .find(|p| p.name == "phase")
        .expect("the phase");
    bencher.bench(|| picture::svg_file(black_box(phase)).expect("the picture"));
}

#[divan::bench]
fn one_png(bencher: Bencher) {
    let page = workshop();
    let phase = page
        .pictures()
        .find(|p| p.name == "phase")
        .expect("the phase");
    bencher.bench(|| picture::png_file(black_box(phase)).expect("the picture"));
}
