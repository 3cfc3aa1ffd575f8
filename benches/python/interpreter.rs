//! The Python that benches run SciPy with.

use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

/// Python with the packages of `tests/cross-check/requirements.txt`, made when
/// it is wanted first. `root` is the repository.
pub fn interpreter(root: &Path) -> Result<PathBuf, String> {
    let place = root.join("target/cross-check/venv");
    let python = place.join("bin/python");
    let ready = |python: &Path| {
        let mut command = Command::new(python);
        command.args(["-c", "import scipy"]).stderr(Stdio::null());
        command.status().is_ok_and(|s| s.success())
    };
    if !ready(&python) {
        let made = |command: &mut Command| command.status().is_ok_and(|s| s.success());
        if !made(Command::new("python3").args(["-m", "venv"]).arg(&place)) {
            return Err("python3 cannot make a virtual environment".to_owned());
        }
        let mut install = Command::new(&python);
        install.args(["-m", "pip", "install", "-q", "-r"]);
        if !made(install.arg(root.join("tests/cross-check/requirements.txt"))) {
            return Err("pip cannot fetch numpy and SciPy".to_owned());
        }
    }
    Ok(python)
}
