//! The papers of a side to be cut: cue sheet, instructions, and the job of its recordings.

use super::text;
use crate::side::{
    Content, Cue, CutLimits, INNER_MM, OUTER_MM, Peaks, SideSignal, TONE_DBFS, TONE_VELOCITY,
    Walls, last_mark_s, length_s, pitch_mm, radius_mm,
};
use std::fmt::Write;

/// How the text of the cue sheet begins.
pub const CUE_SHEET: &str = "Cue sheet of the groovelag test side";
/// How its table begins.
pub const CUE_TABLE: &str = "cue,name,signal,walls,mark_s,start_s,end_s,";
/// How the instructions begin.
pub const INSTRUCTIONS: &str = "The groovelag test side: instructions for the cutting engineer";

const WIDTH: usize = text::DEFAULT_WIDTH;

/// A time as `m:ss.s`.
fn minutes(seconds: f64) -> String {
    let tenths = (10.0 * seconds).round() as u64;
    format!("{}:{:02}.{}", tenths / 600, tenths / 10 % 60, tenths % 10)
}

fn dbfs(amplitude: f64) -> String {
    match amplitude > 0.0 {
        true => format!("{:.1}", 20.0 * amplitude.log10()),
        false => String::new(),
    }
}

fn signal(content: Content) -> String {
    match content {
        Content::Tone(hertz) => format!("{hertz} Hz"),
        Content::Noise => "wide-band noise".to_owned(),
        Content::Silence => "unmodulated".to_owned(),
    }
}

fn walls(cue: &Cue) -> &'static str {
    match (cue.part.content, cue.part.walls) {
        (Content::Silence, _) => "",
        (_, Walls::Both) => "lateral",
        (_, Walls::Left) => "left",
        (_, Walls::Right) => "right",
    }
}

/// The cue sheet as text.
pub fn cue_sheet(signal_of: &SideSignal, file: &str) -> String {
    let intro = format!(
        "File {file}, {} long. Each cue is preceded by a coded mark of 1.2 s; one more mark ends the side at {}. Radii assume {OUTER_MM:.0} mm at the start of the file and a constant pitch of {:.3} mm per revolution ({:.2} lines/mm, {:.0} lines/in).",
        minutes(length_s()),
        minutes(last_mark_s()),
        pitch_mm(),
        pitch_mm().recip(),
        25.4 / pitch_mm()
    );
    let mut out = format!("{CUE_SHEET}\n\n{}\n", text::wrapped("", &intro, WIDTH));
    out += "cue name     signal          walls    mark    start     end   radius mm\n";
    out += "          peak: file dBFS, velocity cm/s, acceleration m/s2, displacement um\n";
    for (k, cue) in Cue::all().iter().enumerate() {
        let [from, to] = cue.span_s;
        let [outer, inner] = cue.radius_mm();
        let _ = writeln!(
            out,
            "{:>3} {:<8} {:<15} {:<7} {:>7} {:>7} {:>7}   {outer:.1}-{inner:.1}",
            k + 1,
            cue.part.name,
            signal(cue.part.content),
            walls(cue),
            minutes(cue.mark_s),
            minutes(from),
            minutes(to),
        );
        if cue.part.content != Content::Silence {
            out += &peaks_line(&signal_of.peaks(cue));
        }
    }
    out += "    marks\n";
    out += &peaks_line(&SideSignal::mark_peaks());
    out += "\n";
    out += &text::wrapped(
        "",
        "Peaks are lateral, after the recording equaliser (IEC 60098); those of a single channel are of its wall, along the wall's own motion. For the root mean square of the noise, see the table.",
        WIDTH,
    );
    out
}

fn peaks_line(peaks: &Peaks) -> String {
    format!(
        "          {} dBFS, {:.1} cm/s, {:.0} m/s2, {:.1} um\n",
        dbfs(peaks.file),
        100.0 * peaks.velocity,
        peaks.acceleration,
        1e6 * peaks.displacement
    )
}

/// The cue sheet as a table of comma-separated values (RFC 4180).
pub fn cue_table(signal_of: &SideSignal) -> String {
    let mut out = format!(
        "{CUE_TABLE}radius_start_mm,radius_end_mm,peak_dbfs,rms_dbfs,peak_velocity_cm_s,rms_velocity_cm_s,peak_acceleration_m_s2,rms_acceleration_m_s2,peak_displacement_um\r\n"
    );
    for (k, cue) in Cue::all().iter().enumerate() {
        let [from, to] = cue.span_s;
        let [outer, inner] = cue.radius_mm();
        let p = signal_of.peaks(cue);
        let _ = write!(
            out,
            "{},{},{},{},{:.3},{from:.3},{to:.3},{outer:.2},{inner:.2},{},{},{:.2},{:.2},{:.0},{:.0},{:.2}\r\n",
            k + 1,
            cue.part.name,
            signal(cue.part.content),
            walls(cue),
            cue.mark_s,
            dbfs(p.file),
            dbfs(p.file_rms),
            100.0 * p.velocity,
            100.0 * p.velocity_rms,
            p.acceleration,
            p.acceleration_rms,
            1e6 * p.displacement,
        );
    }
    let _ = write!(
        out,
        "{},end,mark,lateral,{:.3},,,,,,,,,,,\r\n",
        Cue::all().len() + 1,
        last_mark_s()
    );
    out
}

/// The page of instructions.
pub fn instructions(signal_of: &SideSignal, file: &str, rate_hz: u32) -> String {
    let [.., last] = Cue::all();
    let inner = radius_mm(length_s());
    let noise = signal_of.peaks(&last);
    let mut out = format!("{INSTRUCTIONS}\n\n");
    let mut say = |label: &str, words: String| {
        out += &text::labelled(label, &words, WIDTH);
        out += "\n";
    };
    say(
        "",
        "The cutting engineer decides. Nothing here overrides what the lathe, the cutter head, its maker or experience requires; any deviation is welcome as long as it is written down.".to_owned(),
    );
    say(
        "What it is",
        format!(
            "A programme of {} for one side of a 30 cm disc at 33 1/3 rpm: wide-band noise in lateral mono at six radii, noise in each channel alone at two, an unmodulated groove, a level tone, a speed tone, and coded marks. It measures arrival times of the two channels to some nanoseconds. {file} has two channels, 24 bit, {rate_hz} Hz.",
            minutes(length_s())
        ),
    );
    say(
        "Equaliser",
        "The file is flat. The lathe applies the recording equalisation of IEC 60098 (3180, 318 and 75 us) and nothing else.".to_owned(),
    );
    say(
        "Untouched",
        "No limiter, no treble or acceleration limiter, no elliptical equaliser or bass blend (they would move the single-channel bands into the other channel), no change of sample rate if it can be avoided. If a limiter acts, lower the level of the whole side instead. Both channels have the same polarity, and equal gain to 0.1 dB.".to_owned(),
    );
    say(
        "Level",
        format!(
            "Cue 1 is a sine of 1 kHz with a peak of {TONE_DBFS:.0} dBFS. Cut it with a peak lateral velocity of {:.0} cm/s. Everything else follows; do not change the level within the side.",
            100.0 * TONE_VELOCITY
        ),
    );
    say(
        "Pitch",
        format!(
            "Constant, {:.3} mm per revolution, from {OUTER_MM:.0} mm radius at the start of the file; the end then lies at {INNER_MM:.0} mm. With another start or pitch, or if the lathe varies the pitch, write down the radius at the start and the end of each cue. No spirals between the cues: the marks separate them.",
            pitch_mm()
        ),
    );
    say(
        "Depth",
        "Deep enough for the top of the unmodulated groove to be at least 55 um wide.".to_owned(),
    );
    say(
        "Marks",
        "The chirps between the cues are intended, and so is the silence around them.".to_owned(),
    );
    say(
        "Limits kept",
        format!(
            "At the innermost groove ({inner:.0} mm): acceleration {:.0} m/s2 of at most {:.0}, at which the groove bends as sharply as a spherical tip of {:.0} um (geometry; the radius from IEC 60098, from memory); velocity {:.1} cm/s of {:.1}, a slope of one half, for a cutting stylus of 45 degrees back angle (from memory). Everywhere: displacement {:.0} um of {:.0} (common practice, no source), and up and down at most {:.0} um (common practice, no source). The cue sheet has the figures of each cue.",
            noise.acceleration,
            CutLimits::acceleration(inner),
            1e6 * CutLimits::TIP_M,
            100.0 * noise.velocity,
            100.0 * CutLimits::velocity(inner),
            1e6 * noise.displacement,
            1e6 * CutLimits::DISPLACEMENT_M,
            1e6 * CutLimits::VERTICAL_M,
        ),
    );
    say(
        "Caution",
        format!(
            "Steady noise heats a cutter head more than music of the same peak: its acceleration is {:.0} m/s2 rms for {:.0} s at a time (velocity {:.2} cm/s rms). Watch the current and the temperature of the head, and cut the first wide-band cue on a scrap lacquer before the side. The single-channel cues move the cutter up and down: look at the groove under the microscope for lifts.",
            noise.acceleration_rms,
            last.part.seconds,
            100.0 * noise.velocity_rms
        ),
    );
    say(
        "Write down",
        "Date, lathe, cutter head, cutting stylus and its back angle; lacquer or metal; how far the cutter stands off the radial line (mm), and how its face was set square to it; radius at the start and the end of each cue as measured; turntable speed as measured; level at which cue 1 was cut; separation of the head, if it was measured; what else was in the chain.".to_owned(),
    );
    say(
        "Afterwards",
        "job.toml describes the bands of the side for groovelag: enter the measured radii in it."
            .to_owned(),
    );
    out.truncate(out.trim_end().len());
    out + "\n"
}

/// A job that describes the bands of the side, for one recording of it.
pub fn job() -> String {
    let mut out = "format = 1\ntitle = \"Test side\"\n\n[record.test-side]\n".to_owned();
    for cue in Cue::all() {
        let [outer, inner] = cue.radius_mm();
        let kind = match (cue.part.content, cue.part.walls) {
            (Content::Silence, _) => "silent",
            (Content::Tone(_), _) => "tone",
            (_, Walls::Both) => "lateral",
            (_, Walls::Left) => "left",
            (_, Walls::Right) => "right",
        };
        let _ = write!(
            out,
            "\n[record.test-side.band.{}]\nkind = \"{kind}\"\nradius_mm = [{outer:.2}, {inner:.2}]\n",
            cue.part.name
        );
        if let Content::Tone(hertz) = cue.part.content {
            let _ = writeln!(out, "frequency_hz = {hertz}");
        }
        if cue.part.content == Content::Tone(1000.0) {
            let _ = writeln!(out, "velocity_cm_s = {:.0}", 100.0 * TONE_VELOCITY);
        }
    }
    out + "\n# one recording of the whole side; its bands are found by the coded marks\n[[capture]]\nfile = \"side-played.wav\"\nrpm = 33\nbands = \"marks\"\n"
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_papers_tell_every_cue() {
        let signal = SideSignal::new(48_000);
        let (sheet, table) = (cue_sheet(&signal, "side.wav"), cue_table(&signal));
        let page = instructions(&signal, "side.wav", 48_000);
        assert!(sheet.starts_with(CUE_SHEET) && table.starts_with(CUE_TABLE));
        assert!(page.starts_with(INSTRUCTIONS));
        for text in [&sheet, &page] {
            let widest = text.lines().map(|line| line.chars().count()).max();
            assert!(widest <= Some(WIDTH), "{text}");
        }
        let rows: Vec<Vec<&str>> = table.lines().map(|l| l.split(',').collect()).collect();
        assert_eq!(rows.len(), Cue::all().len() + 2);
        assert!(rows.iter().all(|row| row.len() == rows[0].len()), "{table}");
        for (row, cue) in rows[1..].iter().zip(Cue::all()) {
            assert_eq!(row[1], cue.part.name);
            assert_eq!(
                row[5].parse(),
                Ok((cue.span_s[0] * 1000.0).round() / 1000.0)
            );
            assert!(sheet.contains(cue.part.name));
        }
        let job = crate::job::file::parse(&job(), "job.toml").unwrap();
        let wide: Vec<_> = job.captures.iter().map(|c| c.describe(0)).collect();
        assert_eq!(wide.len(), 6, "{wide:?}");
        assert_eq!(wide[5], "side-played.wav, band wide-6");
        assert_eq!(job.records["test-side"].bands.len(), Cue::all().len());
    }
}
