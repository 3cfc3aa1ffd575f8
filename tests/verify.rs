//! `groovelag verify`: a result comes out the same from the same files, and what has changed is
//! named. All data are invented.

use crate::schemas::holds;
use serde_json::Value;
use std::fs;
use std::path::Path;
use std::process::{Command, Output};

fn groovelag(at: &Path, arguments: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_groovelag"))
        .current_dir(at)
        .args(arguments)
        .output()
        .unwrap()
}

/// A copy of the shipped job in a folder of its own, with a result beside it.
fn workshop(more: &[&str]) -> tempfile::TempDir {
    let folder = tempfile::tempdir().unwrap();
    let shipped = Path::new(env!("CARGO_MANIFEST_DIR")).join("test-signals/workshop");
    for entry in fs::read_dir(shipped).unwrap() {
        let path = entry.unwrap().path();
        fs::copy(&path, folder.path().join(path.file_name().unwrap())).unwrap();
    }
    let arguments = [&["solve", "job.toml", "--json"], more].concat();
    let result = groovelag(folder.path(), &arguments).stdout;
    fs::write(folder.path().join("result.json"), result).unwrap();
    folder
}

fn verified(at: &Path) -> (Option<i32>, Value) {
    let output = groovelag(at, &["verify", "result.json", "--json"]);
    let document = serde_json::from_slice(&output.stdout).unwrap_or(Value::Null);
    (output.status.code(), document)
}

fn change(at: &Path, file: &str, from: &str, to: &str) {
    let path = at.join(file);
    let text = fs::read_to_string(&path).unwrap();
    assert!(text.contains(from), "{from}");
    fs::write(&path, text.replacen(from, to, 1)).unwrap();
}

#[test]
fn what_is_the_same_comes_out_the_same() {
    let mut documents = Vec::new();
    // coverages, a check by draws, and stated texts, which are all part of the result
    for more in [
        &[][..],
        &["--coverage", "0.5"],
        &["--coverage", "0.99"],
        &["--monte-carlo", "1000"],
    ] {
        let folder = workshop(more);
        let (code, document) = verified(folder.path());
        assert_eq!(code, Some(0), "{document}");
        assert_eq!(document["agreement"], "identical", "{document}");
        assert!(document["numbers"].as_u64().unwrap() > 1000);
        documents.push(document);
    }
    let schema = serde_json::to_value(schemars::schema_for!(
        groovelag::report::verification::Verification
    ));
    holds("verification", &schema.unwrap(), &documents, "schema");
}

/// What is assumed of a mounting, as the job states it; and what captures bring to a variance is
/// a part of the whole.
#[test]
fn assumptions_and_shares_are_told() {
    let folder = workshop(&[]);
    let result = fs::read_to_string(folder.path().join("result.json")).unwrap();
    let result: Value = serde_json::from_str(&result).unwrap();
    let mountings = result["basis"]["mountings"].as_array().unwrap();
    assert_eq!(mountings.len(), 1);
    assert_eq!(mountings[0]["name"], "setup.found.mounting_deg");
    assert_eq!(mountings[0]["prior_standard_uncertainty"], 0.5);
    let captures = result["setups"][0]["captures"].as_array().unwrap();
    let shares = captures.iter().map(|c| c["share"].as_f64().unwrap());
    let whole: f64 = shares.sum();
    // the readings' line of the budget is in it, and much else is not
    let budget = result["setups"][0]["budget"].as_array().unwrap();
    let own = |line: &&Value| {
        let source = line["source"].as_str().unwrap();
        source.starts_with("random part") || source.contains("of capture ")
    };
    let lines = budget.iter().filter(own);
    let expected: f64 = lines.map(|line| line["share"].as_f64().unwrap()).sum();
    approx::assert_relative_eq!(whole, expected, max_relative = 1e-9);
    assert!((0.01..0.9).contains(&whole), "{whole}");
}

/// Every number and every word that a job's reader sees rests on these.
#[test]
fn what_has_changed_is_named() {
    type Change = fn(&Path);
    let changes: [(&str, bool, Change); 5] = [
        ("job.toml", true, |at| {
            change(at, "job.toml", "side_radius_um = 8", "side_radius_um = 9");
        }),
        ("job.toml", true, |at| {
            change(at, "job.toml", "u = 0.5", "u = 0.6")
        }),
        ("job.toml", true, |at| {
            change(at, "job.toml", "(invented)", "(made up)");
        }),
        // nothing but the file differs
        ("job.toml", false, |at| {
            change(at, "job.toml", "format = 1", "# a remark\nformat = 1");
        }),
        ("workshop-found.wav", true, |at| {
            fs::copy(
                at.join("workshop-found-45.wav"),
                at.join("workshop-found.wav"),
            )
            .unwrap();
        }),
    ];
    for (file, differs, make) in changes {
        let folder = workshop(&[]);
        make(folder.path());
        let (code, document) = verified(folder.path());
        assert_eq!(code, Some(1), "{document}");
        assert_eq!(document["verified"], false);
        let changed = document["changed_inputs"].as_array().unwrap();
        assert_eq!(changed.len(), 1, "{document}");
        assert_eq!(changed[0]["file"], file);
        assert_eq!(document["agreement"] == "different", differs, "{document}");
        let text = groovelag(folder.path(), &["verify", "result.json"]).stdout;
        let text = String::from_utf8(text).unwrap();
        assert!(text.contains("One file differs from the one"), "{text}");
    }
    // a number of the result that nobody computed
    let folder = workshop(&[]);
    change(
        folder.path(),
        "result.json",
        "\"value\": 3.2",
        "\"value\": 3.1",
    );
    let (code, document) = verified(folder.path());
    assert_eq!((code, &document["different"]), (Some(1), &Value::from(1)));
    assert_eq!(
        document["differences"][0]["place"],
        "/setups/0/rotation_deg/value"
    );
}

#[test]
fn what_cannot_be_verified_says_why() {
    let folder = workshop(&[]);
    let at = folder.path();
    let older = fs::read_to_string(at.join("result.json")).unwrap();
    let mut older: Value = serde_json::from_str(&older).unwrap();
    older.as_object_mut().unwrap().remove("basis");
    fs::write(at.join("older.json"), older.to_string()).unwrap();
    let other = older
        .to_string()
        .replace("groovelag/solution/1", "groovelag/solution/2");
    fs::write(at.join("other.json"), other).unwrap();
    fs::create_dir(at.join("elsewhere")).unwrap();
    fs::copy(at.join("result.json"), at.join("elsewhere/result.json")).unwrap();
    for (arguments, words) in [
        (&["verify", "older.json"][..], "solve the job again"),
        (&["verify", "other.json"], "schema 'groovelag/solution/2'"),
        (&["verify", "job.toml"], "it is not what 'groovelag solve"),
        (&["verify", "nothing.json"], "cannot be read"),
        (&["verify", "elsewhere/result.json"], "elsewhere/job.toml"),
    ] {
        let output = groovelag(at, arguments);
        let message = String::from_utf8_lossy(&output.stderr).into_owned();
        assert_eq!(output.status.code(), Some(2), "{message}");
        assert!(message.contains(words), "{arguments:?}: {message}");
    }
    // a sentence that no result has is no part of what comes out
    change(at, "result.json", "{", "{ \"conclusion\": \"invented\",");
    let (code, document) = verified(at);
    assert_eq!((code, &document["different"]), (Some(1), &Value::from(1)));
    assert_eq!(document["differences"][0]["place"], "/conclusion");
    let elsewhere = ["verify", "elsewhere/result.json", "--job", "job.toml"];
    assert_eq!(groovelag(at, &elsewhere).status.code(), Some(0));
    // the same name, and no folders in what is handed on
    let result = fs::read_to_string(at.join("result.json")).unwrap();
    assert!(!result.contains(&*at.to_string_lossy()));
}
