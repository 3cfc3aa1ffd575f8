//! `groovelag simulate`.

use super::Outcome;
use super::output::{self, Inputs, Kind};
use clap::Args;
use groovelag::document::{self, TomlKind};
use groovelag::outside;
use groovelag::simulate::truth::TruthSet;
use groovelag::simulate::{self, WorkFolders, variations};
use std::path::{Path, PathBuf};

/// Make captures with known truth from a recipe
#[derive(Debug, Args)]
#[command(after_help = "Example:
  groovelag simulate test-signals/example.toml -o captures")]
pub struct Arguments {
    /// The recipe (TOML); test-signals/README.md describes every key.
    recipe: PathBuf,
    /// Folder for NAME.wav and NAME.truth.json; created if missing.
    #[arg(short, long, value_name = "DIR")]
    output: PathBuf,
    /// Print one JSON document with the truth of every capture.
    #[arg(long)]
    json: bool,
    /// Overwrite older simulations.
    #[arg(long)]
    force: bool,
}

/// Follows the recipe.
pub fn run(arguments: &Arguments) -> Result<Outcome, String> {
    let shown = arguments.recipe.display();
    let text = outside::read_text(&arguments.recipe)
        .map_err(|error| format!("{shown}: {error}; give a recipe in TOML"))?;
    let stem = arguments
        .recipe
        .file_stem()
        .map_or_else(|| "capture".into(), |stem| stem.to_string_lossy());
    let recipes = variations::expand(&text, &stem).map_err(|error| match TomlKind::of(&text) {
        Some(kind) if kind != TomlKind::Recipe => format!("{shown} is not a recipe: {kind}"),
        _ => format!("{shown}: {error}"),
    })?;
    let folder = arguments.recipe.parent().unwrap_or(Path::new(""));
    let paths: Vec<[PathBuf; 2]> = recipes
        .iter()
        .map(|recipe| {
            let name = recipe.name.as_deref().unwrap_or(&stem);
            ["wav", "truth.json"].map(|end| arguments.output.join(format!("{name}.{end}")))
        })
        .collect();
    let programmes = recipes.iter().filter_map(|r| r.programme.file.as_ref());
    let read = programmes
        .map(|file| folder.join(file))
        .chain([arguments.recipe.clone()]);
    Inputs::of(read).spare(paths.iter().flatten().map(PathBuf::as_path))?;
    for [wav, truth] in &paths {
        output::check_free(wav, Kind::Wav, arguments.force)?;
        output::check_free(truth, output::TRUTH, arguments.force)?;
        // a recording of that name is nobody's simulation
        if wav.exists() && !truth.exists() {
            return Err(format!(
                "{} exists without the truth of a simulation beside it, so it may be a recording; choose another folder",
                wav.display()
            ));
        }
    }
    std::fs::create_dir_all(&arguments.output).map_err(|error| {
        format!(
            "{}: {error}; choose a folder that can be written",
            arguments.output.display()
        )
    })?;

    let mut progress = output::Progress::new();
    let mut captures = Vec::with_capacity(recipes.len());
    for (index, (recipe, [wav_path, truth_path])) in recipes.iter().zip(&paths).enumerate() {
        let name = recipe.name.as_deref().unwrap_or(&stem);
        let what = format!("{} of {}: {name}", index + 1, recipes.len());
        let mut part = |done| progress.show(&what, (index as f64 + done) / recipes.len() as f64);
        let places = WorkFolders {
            programmes: folder,
            scratch: &arguments.output,
        };
        let truth = output::write_with(wav_path, Kind::Wav, arguments.force, |file| {
            simulate::write(recipe, places, name, file, &mut part)
                .map_err(|error| format!("{shown}: in capture '{name}': {error}"))
        })?;
        let json = document::json(&truth).map_err(|error| error.to_string())?;
        output::write_file(truth_path, json.as_bytes(), output::TRUTH, arguments.force)?;
        progress.clear();
        if !arguments.json {
            let rotation = truth.rotation_deg.map_or_else(
                || "no stylus".into(),
                |z| format!("rotation {:.3} deg", z.mean),
            );
            output::print(&format!(
                "{}: delay {:.4} us, {rotation}\n",
                wav_path.display(),
                truth.delay_us.mean
            ))?;
        }
        captures.push(truth);
    }
    if arguments.json {
        output::print_json(&TruthSet::new(captures))?;
    }
    Ok(Outcome::Done)
}
