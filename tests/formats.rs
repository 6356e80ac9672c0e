//! `metrics.prom` and `sites.geojson` as others read them: the official Prometheus client's parser and a `GeoJSON`
//! validator, both from Python's index; and the rules of naming that the Prometheus documentation gives.
#![expect(clippy::unwrap_used, reason = "tests")]

use pintle::show;
use pintle_core::health::{Memory, snapshot};
use pintle_core::sim::scene::Scene;
use pintle_core::wire::health::HealthBody;
use serde_json::Value;
use std::collections::BTreeSet;
use std::io::Write as _;
use std::path::Path;
use std::process::Command;

/// Reads each file named and prints what it understood, a JSON object for all.
const READER: &str = r#"
import json, sys
import geojson
from prometheus_client.parser import text_string_to_metric_families as parse
told = {"families": [], "geojson": []}
for path in sys.argv[1:]:
    text = open(path, encoding="utf-8").read()
    if path.endswith(".prom"):
        for f in parse(text):
            samples = [[s.name, s.labels, s.value] for s in f.samples]
            told["families"].append({"name": f.name, "type": f.type, "help": f.documentation, "samples": samples})
    else:
        found = geojson.loads(text)
        parts = [found] + list(found["features"])
        told["geojson"].append({"type": found["type"], "errors": [str(p.errors()) for p in parts if p.errors()],
                                "features": len(found["features"])})
print(json.dumps(told))
"#;

/// A rig: Python with `prometheus_client` and `geojson`.
fn rig() -> bool {
    let tried = Command::new("python3").args(["-c", "import prometheus_client.parser, geojson"]).output();
    let there = tried.is_ok_and(|tried| tried.status.success());
    if !there {
        assert!(
            std::env::var("PINTLE_RIGS").as_deref() != Ok("all"),
            "Python's prometheus_client or geojson is missing"
        );
        writeln!(std::io::stderr().lock(), "not run: needs python3 with prometheus_client and geojson (PyPI)").unwrap();
    }
    there
}

fn body(scene: &Scene) -> HealthBody {
    let told = snapshot(&scene.observations(), &mut Memory::default());
    HealthBody::new(&scene.observations(), &told, 118)
}

fn scenes() -> Vec<(&'static str, HealthBody)> {
    let mut hostile = body(&Scene::standing());
    "a\"b\\c\nd{e}=\u{e9}".clone_into(&mut hostile.cameras[0].id);
    vec![
        ("standing", body(&Scene::standing())),
        ("after-tow", body(&Scene::after_tow())),
        ("underway", body(&Scene::underway())),
        ("cut-off", body(&Scene::cut_off())),
        ("empty", body(&Scene::empty())),
        ("hostile", hostile),
    ]
}

fn read(folder: &Path, name: &str, body: &HealthBody) -> Value {
    let mut paths = Vec::new();
    for (file, text) in show::health_files(body).unwrap() {
        if ["metrics.prom", "sites.geojson"].contains(&file) {
            paths.push(folder.join(format!("{name}-{file}")));
            std::fs::write(paths.last().unwrap(), text).unwrap();
        }
    }
    assert_eq!(paths.len(), 2);
    let said = Command::new("python3").args(["-c", READER]).args(&paths).output().unwrap();
    assert!(said.status.success(), "{name}: {}", String::from_utf8_lossy(&said.stderr));
    serde_json::from_slice(&said.stdout).unwrap()
}

#[test]
fn metrics_are_read_by_the_official_parser_with_their_values_and_obey_its_rules_of_naming() {
    if !rig() {
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    for (name, body) in scenes() {
        let told = read(folder.path(), name, &body);
        let families = told["families"].as_array().unwrap();
        let mut seen = BTreeSet::new();
        for family in families {
            let text = |key: &str| family[key].as_str().unwrap();
            let (metric, kind) = (text("name"), text("type"));
            assert!(seen.insert(metric.to_owned()), "{name}: {metric} twice");
            assert!(metric.starts_with("pintle_") && !text("help").is_empty(), "{name}: {metric}");
            assert!(["gauge", "counter"].contains(&kind), "{name}: {metric} is {kind}");
            // Source: prometheus.io, "Metric and label naming" (from memory): base units, unit last, counters `_total`.
            for odd in ["_ms", "_milliseconds", "_minutes", "_hours", "_kb", "_mb", "_percent", "_total", "_km"] {
                assert!(!metric.ends_with(odd), "{name}: {metric} is not in a base unit");
            }
            let mut labels_seen = BTreeSet::new();
            for sample in family["samples"].as_array().unwrap() {
                let (sampled, value) = (sample[0].as_str().unwrap(), sample[2].as_f64());
                let total = if kind == "counter" { "_total" } else { "" };
                assert_eq!(sampled, format!("{metric}{total}"), "{name}");
                assert!(value.is_some_and(f64::is_finite), "{name}: {sample}");
                assert_eq!(sample[1]["trailer"], "heron-3", "{name}: {sample}");
                assert!(labels_seen.insert(sample[1].to_string()), "{name}: {sample} twice");
            }
        }
        let of = |metric: &str, label: &str, want: &str| {
            let family = families.iter().find(|family| family["name"] == metric)?;
            let samples = family["samples"].as_array().unwrap();
            samples.iter().find(|sample| sample[1][label] == want).map(|sample| sample[2].as_f64().unwrap())
        };
        assert_eq!(of("pintle_word", "word", &body.word), Some(1.0), "{name}");
        assert_eq!(of("pintle_health_generation", "trailer", "heron-3"), Some(118.0), "{name}");
        #[expect(clippy::cast_precision_loss, reason = "figures of a made-up trailer, far below 2^53")]
        let exact = |n: u64| Some(n as f64);
        if let Some(ledger) = &body.ledger {
            assert_eq!(of("pintle_ledger_events", "account", "delivered"), exact(ledger.delivered), "{name}");
        }
        for camera in &body.cameras {
            assert_eq!(of("pintle_camera_reads", "camera", &camera.id), exact(camera.reads), "{name}: {:?}", camera.id);
        }
        if name != "empty" {
            assert!(30 < families.len(), "{name}: {} metrics", families.len());
        }
    }
}

#[test]
fn sites_are_valid_geojson_in_each_state_and_hold_every_site() {
    if !rig() {
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    for (name, body) in scenes() {
        let told = &read(folder.path(), name, &body)["geojson"][0];
        assert_eq!((&told["type"], &told["errors"]), (&"FeatureCollection".into(), &serde_json::json!([])), "{name}");
        let features = told["features"].as_u64().unwrap();
        assert_eq!(features == 0, name == "empty", "{name}: {features} features");
    }
}
