//! JSON Schemas of what the simulator and the calibration write, and of the
//! files that are read through serde: docs/schemas holds those of the types, and
//! real files pass them. The other documents have theirs beside their commands
//! (tests/measure.rs, tests/check.rs, tests/follow.rs). GROOVELAG_UPDATE=1
//! writes them anew. Everything here is invented.

use groovelag::chain::document::CalibrationFile as Calibration;
use groovelag::job::KnowledgeFile;
use groovelag::job::file::JobFile;
use groovelag::report::CalibrationReport;
use groovelag::report::solution::AgreementDocument;
use groovelag::simulate::recipe::Recipe;
use groovelag::simulate::truth::{Truth, TruthSet};
use schemars::generate::SchemaSettings;
use schemars::transform::RecursiveTransform;
use schemars::{JsonSchema, Schema};
use serde_json::{Value, json};
use std::path::{Path, PathBuf};
use std::process::Command;

/// Schema of what is written.
fn written<T: JsonSchema>() -> Schema {
    SchemaSettings::default()
        .for_serialize()
        .into_generator()
        .into_root_schema_for::<T>()
}

fn repository(path: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join(path)
}

/// Compares with the published schema, or publishes it; then holds `documents`
/// against it, and the first of them without `key`, which must not pass.
pub fn holds(name: &str, schema: &Value, documents: &[Value], key: &str) {
    let path = repository(&format!("docs/schemas/{name}.json"));
    let text = serde_json::to_string_pretty(schema).unwrap() + "\n";
    if std::env::var_os("GROOVELAG_UPDATE").is_some() {
        std::fs::write(&path, &text).unwrap();
    }
    let published = std::fs::read_to_string(&path).unwrap_or_default();
    assert_eq!(
        published, text,
        "{name} is stale: run with GROOVELAG_UPDATE=1"
    );
    let validator = jsonschema::validator_for(schema).unwrap();
    for document in documents {
        if let Err(error) = validator.validate(document) {
            panic!("{name}: {error} at {}", error.instance_path());
        }
    }
    let mut broken = documents[0].clone();
    broken.as_object_mut().unwrap().remove(key);
    assert!(!validator.is_valid(&broken), "{name} excludes nothing");
}

fn run(folder: &Path, arguments: &[&str]) -> Value {
    let out = Command::new(env!("CARGO_BIN_EXE_groovelag"))
        .current_dir(folder)
        .args(arguments)
        .output()
        .unwrap();
    assert!(
        out.status.success(),
        "{arguments:?}: {}",
        String::from_utf8_lossy(&out.stderr)
    );
    serde_json::from_slice(&out.stdout).unwrap()
}

fn toml_file(path: &Path) -> Value {
    let table: toml::Table = toml::from_str(&std::fs::read_to_string(path).unwrap()).unwrap();
    serde_json::to_value(table).unwrap()
}

#[test]
fn simulation() {
    let folder = tempfile::tempdir().unwrap();
    let at = folder.path();
    let head = "format = 1\n[programme]\nkind = \"pink\"\nduration_s = 0.3\n[capture]\n\
                radius_mm = 72\nrpm = 33\nsample_rate_hz = 48000\n";
    let tip = "[cartridge]\nprofile = \"elliptical\"\nfrontal_radius_um = 18\nside_radius_um = 8\n\
               gain_db = [0, 0.5]\n[record]\ncut_rpm = \"100/3\"\n[dirt]\nsnr_db = 40\n";
    std::fs::write(at.join("tip.toml"), format!("{head}{tip}")).unwrap();
    std::fs::write(at.join("put-in.toml"), format!("{head}[delay]\nus = 1\n")).unwrap();
    let sets = ["tip", "put-in"].map(|name| {
        let recipe = format!("{name}.toml");
        run(at, &["simulate", &recipe, "-o", ".", "--json"])
    });
    let truths = ["tip", "put-in"].map(|name| {
        let text = std::fs::read(at.join(format!("{name}.truth.json"))).unwrap();
        serde_json::from_slice::<Value>(&text).unwrap()
    });
    holds("simulation", &written::<Truth>().into(), &truths, "schema");
    holds(
        "simulation-set",
        &written::<TruthSet>().into(),
        &sets,
        "schema",
    );

    // A recipe's file may hold the ways to make a set beside the recipe.
    let mut schema: Value = schemars::schema_for!(Recipe).into();
    let sets = json!({
        "variation": {
            "description": "Parts of a recipe laid over it in turn, each with a name.",
            "type": "array",
            "items": { "type": "object", "properties": { "name": { "type": "string" } }, "required": ["name"] }
        },
        "grid": {
            "description": "Keys with a list each: every combination is made.",
            "type": "object"
        },
        "sample": {
            "description": "count, and keys as { low, high } or { value, u }, drawn anew for each capture.",
            "type": "object",
            "properties": { "count": { "type": "integer", "minimum": 1 } }
        }
    });
    schema["properties"]
        .as_object_mut()
        .unwrap()
        .extend(sets.as_object().unwrap().clone());
    let recipes = [
        repository("test-signals/example.toml"),
        repository("test-signals/practitioners.toml"),
        repository("test-signals/workshop/workshop.toml"),
        at.join("tip.toml"),
    ]
    .map(|path| toml_file(&path));
    holds("recipe", &schema, &recipes, "programme");
    let mut misspelt = recipes[0].clone();
    misspelt["capture"]["radus_mm"] = json!(72);
    assert!(!jsonschema::is_valid(&schema, &misspelt));
}

#[test]
fn calibration() {
    let folder = tempfile::tempdir().unwrap();
    let at = folder.path();
    // quiet captures of one signal, and of one wall at a time
    for (name, rest) in [
        ("cable", "[delay]\nus = 0.6\n"),
        (
            "left",
            "[delay]\nus = 0\n[record]\nmodulation = \"left\"\n[cartridge]\ncrosstalk_left_into_right = [0.05, 0]\n",
        ),
        (
            "right",
            "[delay]\nus = 0\n[record]\nmodulation = \"right\"\n[cartridge]\ncrosstalk_right_into_left = [0.05, 0]\n",
        ),
    ] {
        let text = format!(
            "format = 1\n[programme]\nkind = \"pink\"\nduration_s = 8\n[capture]\nradius_mm = 72\nrpm = 33\nsample_rate_hz = 48000\n{rest}"
        );
        std::fs::write(at.join(format!("{name}.toml")), text).unwrap();
        run(
            at,
            &["simulate", &format!("{name}.toml"), "-o", ".", "--json"],
        );
    }
    let whole = run(
        at,
        &[
            "calibrate",
            "--common",
            "cable.wav",
            "--left-only",
            "left.wav",
            "--right-only",
            "right.wav",
            "-o",
            "CHAIN.toml",
            "--json",
        ],
    );
    let half = run(
        at,
        &[
            "calibrate",
            "--common",
            "cable.wav",
            "-o",
            "HALF.toml",
            "--json",
        ],
    );
    holds(
        "calibration",
        &schemars::schema_for!(CalibrationReport).into(),
        &[whole, half],
        "schema",
    );
    let files = ["CHAIN.toml", "HALF.toml"].map(|name| toml_file(&at.join(name)));
    holds(
        "calibration-file",
        &schemars::schema_for!(Calibration).into(),
        &files,
        "program",
    );
}

#[test]
fn knowledge() {
    let folder = tempfile::tempdir().unwrap();
    let at = folder.path();
    let job = "format = 1\n[record.A]\n[[capture]]\ndelay_us = { value = 1, u = 0.005 }\nradius_mm = 72\nrpm = 33\n";
    std::fs::write(at.join("job.toml"), job).unwrap();
    run(
        at,
        &[
            "solve",
            "job.toml",
            "--export-knowledge",
            "known.toml",
            "--json",
        ],
    );
    holds(
        "knowledge",
        &schemars::schema_for!(KnowledgeFile).into(),
        &[toml_file(&at.join("known.toml"))],
        "kind",
    );
    // another job of the same side
    std::fs::write(
        at.join("other.toml"),
        job.replace("value = 1,", "value = 1.1,"),
    )
    .unwrap();
    run(
        at,
        &[
            "solve",
            "other.toml",
            "--export-knowledge",
            "more.toml",
            "--json",
        ],
    );
    let found = run(
        at,
        &[
            "merge",
            "known.toml",
            "more.toml",
            "-o",
            "sum.toml",
            "--json",
        ],
    );
    assert_eq!(found["captures"], 2);
    holds(
        "agreement",
        &written::<AgreementDocument>().into(),
        &[found],
        "schema",
    );
    assert_eq!(
        toml_file(&at.join("sum.toml"))["job"]
            .as_array()
            .unwrap()
            .len(),
        2
    );
}

/// What may be left out, without null in its place.
fn without_null(schema: &mut Schema) {
    for key in ["type", "anyOf"] {
        let Some(Value::Array(forms)) = schema.get_mut(key) else {
            continue;
        };
        forms.retain(|form| *form != "null" && form["type"] != "null");
        if let [only] = &forms[..] {
            let only = only.clone();
            schema.remove(key);
            match only {
                Value::Object(only) => schema.ensure_object().extend(only),
                word => schema.ensure_object().extend([(key.to_owned(), word)]),
            }
        }
    }
}

#[test]
fn job() {
    // TOML has no null
    let mut settings = SchemaSettings::default();
    settings
        .transforms
        .push(Box::new(RecursiveTransform(without_null)));
    let schema: Value = settings
        .into_generator()
        .into_root_schema_for::<JobFile>()
        .into();
    let shipped = toml_file(&repository("test-signals/workshop/job.toml"));
    let full: toml::Table = toml::from_str(
        "format = 1\ninclude = [\"known.toml\"]\n[cartridge.a]\nprofile = \"line\"\n\
         side_radius_um = { value = 5, u = 0.5 }\n[limits]\nwarning_level = \"serious\"\n\
         [[capture]]\nplanned = true\nradius_mm = [75, 70]\nrpm = \"100/3\"\n\
         [record.side.band.outer]\nradius_mm = 140\n[record.side.band.hush]\nkind = \"silent\"\nradius_mm = 90\n\
         [[capture]]\nplanned = true\nrpm = 33\nbands = \"pauses\"\n\
         [[capture]]\nfile = \"side.wav\"\nrpm = 33\n\
         bands = [\"outer\", { name = \"inner\", from = \"1:10\", to = 130.5, radius_mm = [70, 65] }]\n\
         [[capture]]\nplanned = true\nradius_mm = { value = 70, u = 0.2 }\nrpm = { value = 45, u = 0.1 }\n",
    )
    .unwrap();
    let full = serde_json::to_value(full).unwrap();
    holds("job", &schema, &[shipped.clone(), full], "format");
    for (pointer, wrong) in [
        ("/cartridge/bench/profile", json!("round")),
        ("/capture/0/radius_mm", json!("72")),
        ("/capture/0/leads", json!("swaped")),
        ("/limits", json!({ "tolerence_deg": 5 })),
    ] {
        let mut broken = shipped.clone();
        match broken.pointer_mut(pointer) {
            Some(place) => *place = wrong,
            None => broken["capture"][0]["leads"] = wrong,
        }
        assert!(!jsonschema::is_valid(&schema, &broken), "{pointer}");
    }
}
