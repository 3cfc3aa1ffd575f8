//! `groovelag start`: a few questions to a job file and a checklist.

use super::Outcome;
use super::arguments::{self, Radii, UNKNOWN};
use super::output::{self, Inputs, Kind, check_free};
use clap::Args;
use groovelag::job::{self, Alignment, PLANNED_COVERAGE, Plan, Wanted};
use groovelag::report::start::{
    Answers, AnyArm, Further, NONE, PlanPrediction, TipAnswer, checklist_text, choices, expected,
    job_text, understood,
};
use groovelag::report::text::{labelled, wrapped};
use groovelag::uncertainty::rounded_u;
use std::io::{self, BufRead, IsTerminal, Write};
use std::path::{Path, PathBuf};

/// The setup that is asked about.
const FOUND: &str = "found";

/// Suggestions shown: what is worth an evening.
const SUGGESTIONS: usize = 3;

/// Ask what you know; write a job file and a recording checklist
#[derive(Debug, Args)]
#[command(
    after_help = "On a terminal it asks for what you do not give. Otherwise it needs --radius and
--rpm.

--captures takes any of: speed (the other speed too), swapped (leads swapped at
the cartridge), turned (cartridge turned 4 degrees each way), ball (another
cartridge with a spherical tip), separated by commas; or none.

Example:
  groovelag start mine.toml --radius 72 --rpm 33 --stylus elliptical:18x8 \\
      --captures speed,swapped"
)]
pub struct Start {
    /// Job file to write; the checklist is written beside it
    #[arg(value_name = "JOB.toml", default_value = "stylus.toml")]
    job: PathBuf,
    /// Groove radius in mm, or at start and end: 72, 75..70, 2.8in, d144 (diameter)
    #[arg(long, value_name = "MM[..MM]", value_parser = arguments::radii)]
    radius: Option<Radii>,
    /// Speed of the first recording: 33 (meaning 100/3), 45, 78.26
    #[arg(long, value_name = "N", value_parser = arguments::rpm)]
    rpm: Option<f64>,
    /// Tip: elliptical:18x8, spherical:18, line:40x5 (um), a shape alone, or unknown
    #[arg(long, value_name = "TIP", value_parser = arguments::stylus)]
    stylus: Option<TipAnswer>,
    /// Arm: dimensions (mm, deg), tangential, null-radius or unknown
    #[arg(long, value_name = "L/P/OFFSET", value_parser = arguments::arm)]
    arm: Option<AnyArm>,
    /// Body aligned: gauge, eye or unknown
    #[arg(long, value_name = "HOW", value_parser = arguments::aligned)]
    aligned: Option<Alignment>,
    /// Further recordings that you can make, or none
    #[arg(long, value_name = "LIST", value_parser = captures)]
    captures: Option<Captures>,
    /// Overwrite an older job of this command
    #[arg(long)]
    force: bool,
}

/// Further recordings.
#[derive(Debug, Clone, PartialEq, Eq)]
struct Captures(Vec<Further>);

/// A speed as answered to a question: one that records have, since a radius is easily
/// answered in its place.
fn usual_rpm(text: &str) -> Result<f64, String> {
    let value = arguments::rpm(text)?;
    if job::is_usual_speed(value) {
        Ok(value)
    } else {
        Err(format!(
            "{value} rpm is not a usual speed; give 33, 45 or 78 (for another, start again with --rpm)"
        ))
    }
}

fn captures(text: &str) -> Result<Captures, String> {
    if text.trim() == NONE {
        return Ok(Captures(Vec::new()));
    }
    text.split([',', ' '])
        .filter(|word| !word.is_empty())
        .map(|word| {
            let named = Further::ALL.into_iter().find(|f| f.name() == word);
            named.ok_or_else(|| {
                format!(
                    "'{word}' is not one of {}; separate several by commas, or write {NONE}",
                    Further::ALL.map(Further::name).join(", ")
                )
            })
        })
        .collect::<Result<_, _>>()
        .map(Captures)
}

/// Somebody to ask.
struct Dialogue<'a> {
    input: &'a mut dyn BufRead,
    output: &'a mut dyn Write,
}

impl Dialogue<'_> {
    /// Shows something to answer by.
    fn show(&mut self, text: &str) -> Result<(), String> {
        write!(self.output, "\n{text}").map_err(failed)
    }

    /// Asks until the answer is understood; an empty one means `default`.
    fn ask<T>(
        &mut self,
        question: &str,
        default: Option<&str>,
        read: impl Fn(&str) -> Result<T, String>,
    ) -> Result<T, String> {
        loop {
            let offered = default.map_or_else(String::new, |d| format!(" [{d}]"));
            write!(
                self.output,
                "\n{}{offered} > ",
                wrapped("", question, output::width()).trim_end()
            )
            .and_then(|()| self.output.flush())
            .map_err(failed)?;
            let mut line = String::new();
            if self.input.read_line(&mut line).map_err(failed)? == 0 {
                return Err(
                    "the answers ended before the questions, so nothing was written; start again"
                        .into(),
                );
            }
            let answer = match (line.trim(), default) {
                ("", Some(default)) => default,
                (answer, _) => answer,
            };
            match read(answer) {
                Ok(value) => return Ok(value),
                Err(message) => {
                    let message = wrapped("", &message, output::width());
                    write!(self.output, "{message}").map_err(failed)?;
                }
            }
        }
    }
}

fn failed(error: io::Error) -> String {
    format!("cannot use the terminal ({error}); give the answers as options")
}

impl Start {
    /// What was given and, where there is somebody to ask, what was asked.
    fn answers(&self, dialogue: Option<&mut Dialogue<'_>>) -> Result<Answers, String> {
        let answers = |radius: Radii, rpm, tip, arm, aligned, further: Captures| Answers {
            tip,
            rpm,
            radius_mm: [radius.start_mm, radius.end_mm],
            arm,
            aligned,
            further: further.0,
        };
        Ok(match dialogue {
            None => {
                let (Some(radius), Some(rpm)) = (self.radius, self.rpm) else {
                    let missing: Vec<&str> = [
                        ("--radius", self.radius.is_none()),
                        ("--rpm", self.rpm.is_none()),
                    ]
                    .iter()
                    .filter_map(|(name, missing)| missing.then_some(*name))
                    .collect();
                    let (are, them) = match missing[..] {
                        [_] => ("is", "it"),
                        _ => ("are", "them"),
                    };
                    return Err(format!(
                        "{} {are} missing, and there is no terminal for questions; give {them}, and --stylus, --arm and --captures if you know them",
                        missing.join(" and ")
                    ));
                };
                answers(
                    radius,
                    rpm,
                    self.stylus.unwrap_or(TipAnswer::Unknown),
                    self.arm.unwrap_or(AnyArm::Unknown),
                    self.aligned.unwrap_or(Alignment::Eye),
                    self.captures.clone().unwrap_or(Captures(Vec::new())),
                )
            }
            Some(d) => {
                let rpm = match self.rpm {
                    Some(rpm) => rpm,
                    None => d.ask(
                        "At which speed will you play the record? 33 is best if the record allows it: the slower the groove, the larger the delay.",
                        Some("33"),
                        usual_rpm,
                    )?,
                };
                let radius = match self.radius {
                    Some(radius) => radius,
                    None => d.ask(
                        "How far is the groove from the spindle's centre? In mm, with a ruler. You can also write 2.8in, or d144 for a diameter.",
                        None,
                        arguments::radii,
                    )?,
                };
                let tip = match self.stylus {
                    Some(tip) => tip,
                    None => d.ask(
                        "Which tip does the stylus have, in micrometres? elliptical:18x8 (frontal x side radius), spherical:18, line:40x5 (contact spacing x side radius); a shape alone; or unknown.",
                        Some(UNKNOWN),
                        arguments::stylus,
                    )?,
                };
                let arm = match self.arm {
                    Some(arm) => arm,
                    None => d.ask(
                        "Which arm? Effective length / pivot to spindle / offset angle, as 229/211/24; tangential; null-radius (the groove lies at a null radius of a pivoted arm); or unknown.",
                        Some(UNKNOWN),
                        arguments::arm,
                    )?,
                };
                let aligned = match self.aligned {
                    Some(aligned) => aligned,
                    None => d.ask(
                        "How was the cartridge body aligned: with a gauge, or by eye?",
                        Some("eye"),
                        arguments::aligned,
                    )?,
                };
                let further = match &self.captures {
                    Some(captures) => captures.clone(),
                    None => {
                        let first = answers(radius, rpm, tip, arm, aligned, Captures(Vec::new()));
                        d.show(&choices(&bands(&first)?, PLANNED_COVERAGE))?;
                        d.ask(
                            "Which further recordings can you make? Separate several by commas, or write none.",
                            Some(NONE),
                            captures,
                        )?
                    }
                };
                answers(radius, rpm, tip, arm, aligned, further)
            }
        })
    }

    /// Runs the command.
    pub fn run(&self) -> Result<Outcome, String> {
        let checklist = checklist_path(&self.job)?;
        check_free(&self.job, Kind::Started, self.force)?;
        check_free(&checklist, output::CHECKLIST, self.force)?;
        Inputs::of(["-"]).spare([self.job.as_path(), checklist.as_path()])?;
        let stdin = io::stdin();
        let answers = if stdin.is_terminal() {
            self.answers(Some(&mut Dialogue {
                input: &mut stdin.lock(),
                output: &mut io::stderr(),
            }))?
        } else {
            self.answers(None)?
        };
        let plan = predicted(&answers, Wanted::Ranking)?;
        let prediction = plan
            .half_band_deg(FOUND)
            .map(|half_band_deg| PlanPrediction {
                half_band_deg,
                coverage: PLANNED_COVERAGE,
            });
        let name = shown(&self.job);
        let text = job_text(&answers, prediction);
        let list = checklist_text(&answers, prediction, &file_name(&self.job));
        output::write_file(&self.job, text.as_bytes(), Kind::Started, self.force)?;
        output::write_file(&checklist, list.as_bytes(), output::CHECKLIST, self.force)?;

        let width = output::width();
        let mut said = labelled("Understood", &understood(&answers), width);
        said += &labelled("Job file", &name, width);
        said += &labelled(
            "Checklist",
            &format!("{} (to print)", shown(&checklist)),
            width,
        );
        said.push('\n');
        said += &wrapped("", &expected(answers.tip, prediction), width);
        if !plan.suggestions.is_empty() {
            said += "\nWhat would narrow it most, and the band reached\n";
            for s in plan.suggestions.iter().take(SUGGESTIONS) {
                let half = format!("+-{}", rounded_u(s.half_band_deg));
                said += &wrapped(&format!("  {half:>8} deg  "), &s.capture, width);
            }
        }
        let typed = as_typed(&name);
        said += "\nNext\n";
        for step in [
            format!("check and correct {name}; to predict again: groovelag plan {typed}"),
            "make the recordings on the checklist".to_owned(),
            format!("groovelag solve {typed}"),
        ] {
            said += &wrapped("  ", &step, width);
        }
        output::print(&said)?;
        Ok(Outcome::Done)
    }
}

/// What the plan says of the job that these answers make.
fn predicted(answers: &Answers, wanted: Wanted) -> Result<Plan, String> {
    let job = job::file::parse(&job_text(answers, None), "the job").map_err(|e| e.to_string())?;
    job::plan(&job, wanted).map_err(|e| e.to_string())
}

/// Half of the band with no further recording, with each, with the two that are best together
/// and with all.
fn bands(first: &Answers) -> Result<Vec<(Vec<Further>, f64)>, String> {
    let band = |set: Vec<Further>| {
        let answers = Answers {
            further: set.clone(),
            ..first.clone()
        };
        let plan = predicted(&answers, Wanted::Steps(0))?;
        let half = plan.half_band_deg(FOUND).ok_or("nothing to predict")?;
        Ok::<_, String>((set, half))
    };
    let all = Further::ALL;
    let mut list = vec![band(Vec::new())?];
    for one in all {
        list.push(band(vec![one])?);
    }
    let pairs = (0..all.len()).flat_map(|b| (0..b).map(move |a| vec![all[a], all[b]]));
    let pairs = pairs.map(band).collect::<Result<Vec<_>, _>>()?;
    list.extend(pairs.into_iter().min_by(|a, b| a.1.total_cmp(&b.1)));
    list.push(band(all.to_vec())?);
    Ok(list)
}

/// A path as one types it in a shell.
fn as_typed(path: &str) -> String {
    if path.contains(|c: char| !c.is_alphanumeric() && !"/._-".contains(c)) {
        format!("'{}'", path.replace('\'', "'\\''"))
    } else {
        path.to_owned()
    }
}

fn shown(path: &Path) -> String {
    path.to_string_lossy().replace('\\', "/")
}

fn file_name(path: &Path) -> String {
    path.file_name()
        .map_or_else(|| shown(path), |name| name.to_string_lossy().into_owned())
}

/// The checklist of `mine.toml` is `mine-checklist.txt`.
fn checklist_path(job: &Path) -> Result<PathBuf, String> {
    if job.extension().is_none_or(|e| e != "toml") {
        return Err(format!(
            "{} does not end in .toml; name the job file NAME.toml",
            shown(job)
        ));
    }
    let stem = job.file_stem().unwrap_or_default().to_string_lossy();
    Ok(job.with_file_name(format!("{stem}-checklist.txt")))
}

#[cfg(test)]
mod tests {
    use super::*;
    use groovelag::report::start::ArmDimensions;

    fn asked(given: &Start, typed: &str) -> (Result<Answers, String>, String) {
        let mut output = Vec::new();
        let answers = given.answers(Some(&mut Dialogue {
            input: &mut typed.as_bytes(),
            output: &mut output,
        }));
        (answers, String::from_utf8(output).unwrap())
    }

    fn nothing() -> Start {
        Start {
            job: PathBuf::from("mine.toml"),
            radius: None,
            rpm: None,
            stylus: None,
            arm: None,
            aligned: None,
            captures: None,
            force: false,
        }
    }

    #[test]
    fn asks_until_it_understands_and_takes_the_defaults() {
        // an empty line is the default, except for the radius, which has none
        let (answers, shown) = asked(
            &nothing(),
            "\n\n72,5\nd144\nround\nelliptical\n\nstraight\ngauge\nspeed, turned\n",
        );
        assert_eq!(
            answers,
            Ok(Answers {
                tip: TipAnswer::Elliptical(None),
                rpm: 100.0 / 3.0,
                radius_mm: [72.0, 72.0],
                arm: AnyArm::Unknown,
                aligned: Alignment::Gauge,
                further: vec![Further::Speed, Further::Turned],
            })
        );
        for says in [
            "decimal point",
            "round",
            "straight",
            "[33]",
            "[unknown]",
            "[eye]",
            "[none]",
        ] {
            assert!(shown.contains(says), "{says}: {shown}");
        }
        // beside each further recording stands the band that its job gives when planned
        for further in [vec![], vec![Further::Turned], Further::ALL.to_vec()] {
            let names: Vec<&str> = further.iter().map(|f| f.name()).collect();
            let names = if names.is_empty() {
                NONE.into()
            } else {
                names.join(",")
            };
            let answers = Answers {
                further,
                ..answers.clone().unwrap()
            };
            let plan = predicted(&answers, Wanted::Ranking).unwrap();
            let u = plan.setups.iter().find(|s| s.name == "found").unwrap();
            // normal, 95 %
            let half = rounded_u(1.959964 * u.standard_uncertainty_deg);
            let line = format!("+-{half}  {names}");
            assert!(shown.contains(&line), "{line}: {shown}");
        }
        assert_eq!(shown.matches(" > ").count(), 10, "{shown}");
    }

    #[test]
    fn what_is_given_is_not_asked() {
        let given = Start {
            radius: Some(arguments::radii("75..70").unwrap()),
            rpm: Some(45.0),
            stylus: Some(TipAnswer::Spherical(Some(18.0))),
            arm: Some(arguments::arm("229/211/24").unwrap()),
            aligned: Some(Alignment::Eye),
            captures: Some(captures("none").unwrap()),
            ..nothing()
        };
        let (answers, shown) = asked(&given, "");
        assert_eq!(shown, "");
        let dimensions = ArmDimensions {
            effective_length_mm: 229.0,
            pivot_to_spindle_mm: 211.0,
            offset_deg: 24.0,
        };
        assert_eq!(answers.unwrap().arm, AnyArm::Pivoted(dimensions));
        let (ended, _) = asked(&nothing(), "33\n");
        assert!(ended.unwrap_err().contains("nothing was written"));
    }
}
