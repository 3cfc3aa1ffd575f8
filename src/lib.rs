//! Groovelag measures how far a phono stylus is turned about the axis
//! perpendicular to the record, from recordings of a mono-cut band.
//!
//! # Conventions
//!
//! They hold everywhere in this crate and are stated only here.
//!
//! * **Sign of a rotation.** Seen from above, clockwise is positive. On an
//!   ordinary right-hand arm that is the front of the cartridge body turned
//!   towards the spindle.
//! * **Sign of a delay.** Right channel after left channel is positive. With
//!   the inner groove wall on the left channel and the outer on the right
//!   (IEC 60098) a positive rotation gives a positive delay.
//! * **Cross-spectrum.** `E[L conj(R)]`, so that a positive delay `t` gives the
//!   phase `+2 pi f t`.
//! * **Units.** Inside the library SI: seconds, metres, radians, hertz,
//!   metres per second. Names that carry another unit end in it: `_us`, `_mm`,
//!   `_um`, `_deg`, `_rpm`, `_db`. Documents (JSON, TOML, text) use those.
//! * **Uncertainty.** `u` and "standard uncertainty" are one standard
//!   deviation; bands carry their coverage with them.
//! * **Determinism.** No clock, entropy or thread count changes a result.
//!
//! # From samples to a rotation
//!
//! ```
//! use groovelag::{analysis, capture, job};
//!
//! // samples, from wherever they come: here of a shipped file, whose invented truth is 3 degrees
//! let file = capture::Source::Path("test-signals/example.wav".into());
//! let mut recording = capture::open(&file, &capture::ReadOptions::default())?;
//! let mut samples = capture::Stereo::default();
//! recording.read(&mut samples, 20 * 96_000)?;
//!
//! let source = capture::Source::of_samples("take 1", 96_000, &samples.left, &samples.right)?;
//! let analysis = analysis::analyse(&analysis::Request::new(source), &mut |_| ())?;
//! let mine = job::file::parse(
//!     "format = 1
//!      [cartridge.mine]
//!      profile = 'elliptical'
//!      [[capture]]
//!      file = 'take 1'
//!      radius_mm = 72
//!      rpm = 33",
//!     "the job",
//! )?;
//! let measured = job::measure(&mine, &analysis, &[], 0.95, [])?.measurement;
//! let rotation = measured.rotation_deg.ok_or("a spherical tip cannot see its rotation")?;
//! assert!(measured.in_doubt.is_none() && rotation.interval.contains(3.0));
//! # Ok::<(), Box<dyn std::error::Error>>(())
//! ```
//!
//! # Features
//!
//! `cli` (on by default) adds the command and what it alone needs: the modules `report`
//! (text, pages, pictures) and `check` (many jobs against their limits), and JSON schemas. Without it
//! (`default-features = false`) the engine compiles some 90 crates in place of 155.
//!
//! # Map, in the order in which data flow
//!
//! [`capture`] reads a recording in blocks; [`spectrum`] turns blocks into
//! 2 x 2 cross-spectral matrices; [`delay`] turns those into information about
//! the delay and the terms beside it; [`analysis`] is these three in a row, from
//! a file to its estimate; [`groove`] is the geometry of stylus,
//! groove and arm; [`adjust`] is generic least squares; [`job`] joins captures
//! and priors into rotations; [`session`] follows one recording while it is made;
//! [`side`] is a side to be cut, and finds its marks in a recording; [`uncertainty`] holds intervals, budgets and decisions; `check` holds many jobs against their limits; [`simulate`]
//! makes captures with known truth. [`outside`] reads small files within bounds
//! and makes the text of others safe to show.
//! `report` makes text and documents of results. The command line lives in the
//! binary alone.
//!
//! `docs/library.md` walks through an example from a recording to a rotation.

pub mod adjust;
pub mod analysis;
pub mod capture;
pub mod chain;
#[cfg(feature = "cli")]
pub mod check;
pub mod delay;
pub mod document;
pub mod groove;
pub mod job;
pub mod outside;
#[cfg(feature = "cli")]
pub mod report;
pub mod session;
pub mod side;
pub mod simulate;
pub mod spectrum;
pub mod uncertainty;
pub mod units;

/// The developer's guide, compiled and run as a test.
#[cfg(doctest)]
#[doc = include_str!("../docs/library.md")]
struct Guide;
