//! `groovelag completions` and `groovelag manual`, from the same definitions as
//! the command line itself.

use super::Outcome;
use super::output;
use clap::{Args, Command};
use clap_complete::Shell;
use clap_mangen::Man;
use std::path::PathBuf;

/// Print completions for a shell
#[derive(Debug, Args)]
#[command(after_help = "Examples:
  groovelag completions bash \\
      > ~/.local/share/bash-completion/completions/groovelag
  groovelag completions zsh > ~/.zfunc/_groovelag
  groovelag completions fish > ~/.config/fish/completions/groovelag.fish")]
pub struct Completions {
    /// The shell
    #[arg(value_enum)]
    shell: Shell,
}

impl Completions {
    /// Runs the command.
    pub fn run(&self, mut program: Command) -> Result<Outcome, String> {
        let mut bytes = Vec::new();
        clap_complete::generate(self.shell, &mut program, "groovelag", &mut bytes);
        output::print(&String::from_utf8_lossy(&bytes))?;
        Ok(Outcome::Done)
    }
}

/// Print the manual page, or write the pages of all commands
#[derive(Debug, Args)]
#[command(after_help = "Example:
  groovelag manual -o ~/.local/share/man/man1")]
pub struct Manual {
    /// Folder for groovelag.1, groovelag-measure.1, ...; created if missing
    #[arg(short, long, value_name = "DIR")]
    output: Option<PathBuf>,
    /// Overwrite older manual pages
    #[arg(long, requires = "output")]
    force: bool,
}

impl Manual {
    /// Runs the command.
    pub fn run(&self, mut program: Command) -> Result<Outcome, String> {
        // names the subcommands in full
        program.build();
        let Some(folder) = &self.output else {
            output::print(&String::from_utf8_lossy(&page(program)?))?;
            return Ok(Outcome::Done);
        };
        let commands: Vec<Command> = program
            .get_subcommands()
            .filter(|c| c.get_name() != "help")
            .chain([&program])
            .cloned()
            .collect();
        let path = |command: &Command| {
            let name = command.get_display_name().unwrap_or(command.get_name());
            folder.join(format!("{name}.1"))
        };
        for command in &commands {
            output::check_free(&path(command), output::MANUAL, self.force)?;
        }
        std::fs::create_dir_all(folder).map_err(|e| {
            format!(
                "{}: {e}; choose a folder that can be written",
                folder.display()
            )
        })?;
        for command in commands {
            let path = path(&command);
            output::write_file(&path, &page(command)?, output::MANUAL, self.force)?;
        }
        Ok(Outcome::Done)
    }
}

/// One manual page.
fn page(command: Command) -> Result<Vec<u8>, String> {
    let version = format!("groovelag {}", env!("CARGO_PKG_VERSION"));
    let mut bytes = Vec::new();
    Man::new(command)
        .source(version)
        .render(&mut bytes)
        .map_err(|e| format!("the manual page cannot be made ({e})"))?;
    Ok(bytes)
}
