//! Writes small recordings of every form as the first corpora.

use groovelag::job::file;

#[path = "../recordings/mod.rs"]
mod recordings;
mod stated;

/// What the job of the target `knowledge` learns.
fn learned() -> String {
    let job = file::parse(include_str!("knowledge.toml"), "knowledge.toml").expect("a job");
    let data = stated::stated(&job);
    job.knowledge(&data).to_text()
}

fn main() -> std::io::Result<()> {
    let corpus = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("corpus");
    let forms = recordings::forms(97);
    for target in ["readers", "stream"] {
        std::fs::create_dir_all(corpus.join(target))?;
        for (k, (_, bytes)) in forms.iter().enumerate() {
            // A stream begins with a choice of options; 63 is the plain one.
            let choice: &[u8] = if target == "stream" { &[63] } else { &[] };
            std::fs::write(
                corpus.join(target).join(format!("seed-{k:02}")),
                [choice, bytes].concat(),
            )?;
        }
    }
    let shipped = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("../../test-signals");
    std::fs::create_dir_all(corpus.join("job"))?;
    std::fs::copy(
        shipped.join("workshop/job.toml"),
        corpus.join("job/seed-workshop"),
    )?;
    std::fs::create_dir_all(corpus.join("knowledge"))?;
    std::fs::write(corpus.join("knowledge/seed-solved"), learned())?;
    println!(
        "{} seeds for each target in {}",
        forms.len(),
        corpus.display()
    );
    Ok(())
}
