//! `groovelag merge`.

use super::output::{self, Inputs};
use super::solve::KNOWLEDGE;
use super::{Common, Outcome};
use clap::Args;
use groovelag::job::{Knowledge, KnowledgeAgreement};
use groovelag::outside;
use groovelag::report::solution::{AgreementDocument, agreement_text};
use std::path::PathBuf;

/// Join knowledge files, and say how well they agree
#[derive(Debug, Args)]
#[command(
    after_help = "The files come from 'solve --export-knowledge', or from an earlier merge.

Example:
  groovelag merge bench-1.toml bench-2.toml -o test-A.toml"
)]
pub struct MergeArguments {
    /// Knowledge files
    #[arg(required = true, value_name = "KNOWLEDGE")]
    files: Vec<PathBuf>,
    /// Write their captures here, as one knowledge file
    #[arg(long, short, value_name = "FILE")]
    output: Option<PathBuf>,
    /// Take only captures made with 'record.A', or any 'record' (repeatable)
    #[arg(long, value_name = "KIND[.NAME]")]
    only: Vec<String>,
    /// Overwrite an older file, and write a result in doubt
    #[arg(long)]
    force: bool,
    #[command(flatten)]
    common: Common,
}

/// Runs the command.
pub fn run(arguments: &MergeArguments) -> Result<Outcome, String> {
    let output = arguments.output.as_deref();
    if let Some(path) = output {
        output::check_free(path, KNOWLEDGE, arguments.force)?;
        Inputs::of(&arguments.files).spare([path])?;
    }
    let read = |file: &PathBuf| {
        let name = file.to_string_lossy().replace('\\', "/");
        let text = outside::read_text(file).map_err(|e| format!("{name}: {e}"))?;
        let known = Knowledge::parse(&text, &name).map_err(|e| e.to_string())?;
        match arguments.only.as_slice() {
            [] => Ok(known),
            wanted => known.only(wanted).map_err(|e| e.to_string()),
        }
    };
    let list: Vec<Knowledge> = arguments.files.iter().map(read).collect::<Result<_, _>>()?;
    let sum = Knowledge::sum(&list).map_err(|e| e.to_string())?;
    let found =
        KnowledgeAgreement::of(&list, arguments.common.coverage).map_err(|e| e.to_string())?;
    let doubted = found.in_doubt.is_some();
    let mut written = Ok(());
    if let Some(path) = output {
        if doubted && !arguments.force {
            output::note(
                "the files contradict each other, so they were not merged; --force merges them all the same",
            );
        } else {
            written =
                output::write_file(path, sum.to_text().as_bytes(), KNOWLEDGE, arguments.force);
        }
    }
    if arguments.common.json {
        output::print_json(&AgreementDocument::new(found))?;
    } else {
        output::print(&agreement_text(&found, output::width()))?;
    }
    written?;
    Ok(if doubted {
        Outcome::LimitNotMet
    } else {
        Outcome::Done
    })
}
