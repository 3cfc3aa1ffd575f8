//! `groovelag simulate`.

use super::{Outcome, output};
use clap::Args;
use groovelag::simulate::{self, recipe::Recipe};
use std::path::{Path, PathBuf};

/// Make captures with known truth from a recipe.
#[derive(Debug, Args)]
pub struct Arguments {
    /// The recipe (TOML); test-signals/README.md describes every key.
    recipe: PathBuf,
    /// Folder for NAME.wav and NAME.truth.json; made if it is missing.
    #[arg(short, long, value_name = "DIR")]
    output: PathBuf,
    /// Print one JSON document with the truth of every capture.
    #[arg(long)]
    json: bool,
    /// Write over files that exist.
    #[arg(long)]
    force: bool,
}

/// Follows the recipe.
pub fn run(arguments: &Arguments) -> Result<Outcome, String> {
    let shown = arguments.recipe.display();
    let text = std::fs::read_to_string(&arguments.recipe)
        .map_err(|error| format!("{shown}: {error}; give a recipe in TOML"))?;
    let recipe = Recipe::parse(&text).map_err(|error| format!("{shown}: {error}"))?;
    let folder = arguments.recipe.parent().unwrap_or(Path::new(""));
    std::fs::create_dir_all(&arguments.output).map_err(|error| {
        format!(
            "{}: {error}; choose a folder that can be written",
            arguments.output.display()
        )
    })?;
    let stem = recipe.name.clone().unwrap_or_else(|| {
        arguments
            .recipe
            .file_stem()
            .map_or_else(|| "capture".into(), |s| s.to_string_lossy().into_owned())
    });
    let wav_path = arguments.output.join(format!("{stem}.wav"));
    let truth_path = arguments.output.join(format!("{stem}.truth.json"));
    if !arguments.force {
        for path in [&wav_path, &truth_path] {
            if path.exists() {
                return Err(output::exists(path));
            }
        }
    }
    let rendered =
        simulate::render(&recipe, folder).map_err(|error| format!("{shown}: {error}"))?;
    let (bytes, truth) = rendered.wav(&stem);
    let document =
        serde_json::to_string_pretty(&truth).map_err(|error| format!("{shown}: {error}"))? + "\n";
    output::write_file(&wav_path, &bytes, arguments.force)?;
    output::write_file(&truth_path, document.as_bytes(), arguments.force)?;
    if arguments.json {
        output::print(&document)?;
    } else {
        println!(
            "{}: delay {:.4} us (right after left), rotation {}",
            wav_path.display(),
            truth.delay_us.mean,
            truth
                .rotation_deg
                .map_or("not simulated".into(), |z| format!("{:.3} deg", z.mean)),
        );
    }
    Ok(Outcome::Done)
}
