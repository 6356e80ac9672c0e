//! The published schemas of `docs/schema/`.

use jsonschema::Validator;
use serde_json::Value;
use std::path::Path;

/// The text of one schema, as JSON.
pub(crate) fn text(name: &str) -> Value {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("../docs/schema").join(format!("{name}.v1.json"));
    let text = std::fs::read_to_string(&path).expect("the schema is there");
    serde_json::from_str(&text).expect("the schema is JSON")
}

/// The schema, ready to judge.
pub(crate) fn schema(name: &str) -> Validator {
    jsonschema::validator_for(&text(name)).expect("the schema compiles")
}

/// Fails with all faults if `value` does not follow the schema.
pub(crate) fn check(name: &str, value: &Value) {
    let schema = schema(name);
    let faults: Vec<String> =
        schema.iter_errors(value).map(|fault| format!("{}: {fault}", fault.instance_path())).collect();
    assert!(faults.is_empty(), "{name}: {faults:#?}\n{value:#}");
}

/// Fails unless each event of the batch follows the schema of the batch and that of its own kind.
pub(crate) fn check_batch(batch: &Value) {
    check("batch", batch);
    for event in batch.as_array().expect("an array") {
        let name = event["dataschema"].as_str().expect("a name");
        let name = name.trim_start_matches("urn:pintle:schema:").trim_end_matches(".v1");
        check(name, &event["data"]);
    }
}
