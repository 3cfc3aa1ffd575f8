//! Pages, pictures and sketches beside the text of a result.

use super::output::{self, Inputs, Kind};
use clap::Args;
use groovelag::report::page::Page;
use groovelag::report::picture::{self, Picture};
use std::ffi::OsString;
use std::path::{Path, PathBuf};

/// What else to make of a result.
#[derive(Debug, Clone, Args)]
pub struct Views {
    /// Write a page for a browser, as FILE.html
    #[arg(long, value_name = "FILE")]
    pub report: Option<PathBuf>,
    /// Include the text metadata of recordings in the page
    #[arg(long, requires = "report")]
    pub report_metadata: bool,
    /// Write a picture; repeatable; see --plot help
    #[arg(long, value_name = "NAME=FILE", value_parser = plot)]
    plot: Vec<Plot>,
    /// Add small plots in block characters
    #[arg(long)]
    pub sketch: bool,
    /// Overwrite older results
    #[arg(long)]
    pub force: bool,
}

/// A picture asked for.
#[derive(Debug, Clone, PartialEq)]
struct Plot {
    name: String,
    file: PathBuf,
    form: Form,
}

/// How it is stored.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Form {
    Svg,
    Png,
}

fn plot(text: &str) -> Result<Plot, String> {
    let (name, file) = text
        .split_once('=')
        .filter(|(name, file)| !name.is_empty() && !file.is_empty())
        .ok_or_else(|| {
            format!("'{text}' is not NAME=FILE.svg or NAME=FILE.png; --plot help lists the names")
        })?;
    // phase-2 is the second of its kind
    let kind = name.trim_end_matches(|c: char| c.is_ascii_digit());
    let kind = kind.strip_suffix('-').unwrap_or(name);
    if !picture::NAMES
        .iter()
        .any(|(known, _)| *known == kind || *known == name)
    {
        return Err(format!(
            "there is no picture '{name}'; --plot help lists the names"
        ));
    }
    let file = PathBuf::from(file);
    let ending = file.extension().map(|e| e.to_string_lossy().to_lowercase());
    let form = match ending.as_deref() {
        Some("svg") => Form::Svg,
        Some("png") => Form::Png,
        _ => {
            return Err(format!(
                "'{}' must end in .svg or .png, which sets the format",
                file.display()
            ));
        }
    };
    Ok(Plot {
        name: name.to_owned(),
        file,
        form,
    })
}

/// Prints the names of the pictures, if that is what the command line asks for
/// (it need not be complete then).
pub fn help_asked(mut arguments: impl Iterator<Item = OsString>) -> bool {
    let mut asked = false;
    while let Some(argument) = arguments.next() {
        asked |= argument == "--plot=help"
            || (argument == "--plot" && arguments.next().is_some_and(|a| a == "help"));
    }
    asked
}

/// The names of the pictures with what they show.
pub fn help(width: usize) -> String {
    let mut text = String::from("Pictures; a result has only those that its data support.\n\n");
    for (name, what) in picture::NAMES {
        text += &groovelag::report::text::wrapped(&format!("  {name:<14}"), what, width);
    }
    text.push('\n');
    text + &groovelag::report::text::wrapped(
        "",
        "The second of a kind is NAME-2, and so on: --plot phase-2=second.svg is the phase of the second recording of a job.",
        width,
    )
}

impl Views {
    /// Refuses files that exist, that are read or that are named twice, before the work
    /// starts; `more` are what the command writes beside them.
    pub fn check_free(&self, inputs: &Inputs, more: &[Option<&Path>]) -> Result<(), String> {
        for plot in &self.plot {
            output::check_free(&plot.file, plot.form.kind(), self.force)?;
        }
        if let Some(page) = &self.report {
            output::check_free(page, output::PAGE, self.force)?;
        }
        let plots = self.plot.iter().map(|p| p.file.as_path());
        let more = more.iter().copied().flatten();
        inputs.spare(more.chain(self.report.as_deref()).chain(plots))
    }

    /// Whether a page is needed at all.
    pub fn any(&self) -> bool {
        self.report.is_some() || !self.plot.is_empty()
    }

    /// Writes what was asked for of a page. Everything is drawn before anything is written;
    /// then what fails holds up nothing else, and all of it is named. The caller prints its
    /// answer before it returns that.
    pub fn write(&self, page: &Page) -> Result<(), String> {
        let mut files: Vec<(&Path, Vec<u8>, Kind)> = Vec::new();
        if let Some(file) = &self.report {
            let html = page.html().map_err(|e| e.to_string())?;
            files.push((file, html.into_bytes(), output::PAGE));
        }
        for plot in &self.plot {
            files.push((&plot.file, plot.drawn(page)?, plot.form.kind()));
        }
        let written = files
            .iter()
            .map(|(file, bytes, kind)| output::write_file(file, bytes, *kind, self.force));
        output::all(written)
    }
}

impl Form {
    fn kind(self) -> Kind {
        match self {
            Self::Svg => output::SVG,
            Self::Png => output::PNG,
        }
    }
}

impl Plot {
    fn drawn(&self, page: &Page) -> Result<Vec<u8>, String> {
        let found: Option<&Picture> = page.pictures().find(|p| p.name == self.name);
        let picture = found.ok_or_else(|| {
            let names: Vec<&str> = page.pictures().map(|p| p.name.as_str()).collect();
            format!(
                "this result has no picture '{}'; choose from: {}",
                self.name,
                names.join(", ")
            )
        })?;
        let picture = page.by_itself(picture);
        let bytes = match self.form {
            Form::Svg => picture::svg_file(&picture).map(String::into_bytes),
            Form::Png => picture::png_file(&picture),
        };
        bytes.map_err(|e| e.to_string())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn plots_as_typed() {
        let p = plot("phase-2=out/a=b.PNG").unwrap();
        assert_eq!((p.name.as_str(), p.form), ("phase-2", Form::Png));
        assert_eq!(p.file, Path::new("out/a=b.PNG"));
        assert!(plot("before-after=x.svg").is_ok());
        for (text, says) in [
            ("phase", "NAME=FILE"),
            ("phase=", "NAME=FILE"),
            ("dial=x.svg", "no picture 'dial'"),
            ("phase=x.jpg", "must end in .svg"),
        ] {
            assert!(plot(text).unwrap_err().contains(says), "{text}");
        }
    }

    #[test]
    fn help_is_found_among_the_arguments() {
        let asks = |list: &[&str]| help_asked(list.iter().map(OsString::from));
        assert!(asks(&["measure", "--plot", "help"]) && asks(&["solve", "--plot=help"]));
        assert!(!asks(&["measure", "help", "--plot", "phase=help.svg"]));
    }
}
