use serde_json::{Value, json};

use super::*;
use crate::report::gallery::cases;

/// Where a document breaks the schema: one line for each place. Knows the keywords that our schema uses, and says so when
/// it meets another.
///
/// Meanings as in JSON Schema, draft 2020-12, core §8 and §10 and validation §6.
fn faults(schema: &Value, root: &Value, document: &Value, place: &str) -> Vec<String> {
    let mut found = Vec::new();
    for (keyword, rule) in schema.as_object().unwrap() {
        match keyword.as_str() {
            "$schema" | "$defs" | "title" | "description" => {}
            "$ref" => {
                let target = root.pointer(rule.as_str().unwrap().trim_start_matches('#')).unwrap();
                found.extend(faults(target, root, document, place));
            }
            "anyOf" => {
                let fits = |s: &Value| faults(s, root, document, place).is_empty();
                if !rule.as_array().unwrap().iter().any(fits) {
                    found.push(format!("{place}: fits none of the forms"));
                }
            }
            "type" => {
                let wanted = rule.as_array().cloned().unwrap_or_else(|| vec![rule.clone()]);
                if !wanted.iter().any(|t| has_type(document, t.as_str().unwrap())) {
                    found.push(format!("{place}: is not {rule}"));
                }
            }
            "minimum" => {
                if document.as_f64().is_some_and(|v| v < rule.as_f64().unwrap()) {
                    found.push(format!("{place}: is below {rule}"));
                }
            }
            "minItems" | "maxItems" => {
                let count = document.as_array().map(|a| a.len() as u64);
                let limit = rule.as_u64().unwrap();
                if count.is_some_and(|c| if keyword == "minItems" { c < limit } else { c > limit }) {
                    found.push(format!("{place}: {keyword} is {limit}"));
                }
            }
            "items" => {
                for (i, item) in document.as_array().into_iter().flatten().enumerate() {
                    found.extend(faults(rule, root, item, &format!("{place}/{i}")));
                }
            }
            "required" => {
                for key in rule.as_array().unwrap() {
                    if document.is_object() && document.get(key.as_str().unwrap()).is_none() {
                        found.push(format!("{place}: lacks {key}"));
                    }
                }
            }
            "properties" => {
                for (key, inner) in rule.as_object().unwrap() {
                    if let Some(value) = document.get(key) {
                        found.extend(faults(inner, root, value, &format!("{place}/{key}")));
                    }
                }
            }
            "additionalProperties" => {
                let known = schema["properties"].as_object().unwrap();
                for key in document.as_object().into_iter().flat_map(|o| o.keys()) {
                    if rule == false && !known.contains_key(key) {
                        found.push(format!("{place}: {key} is not in the schema"));
                    }
                }
            }
            other => found.push(format!("the check does not know the keyword {other}")),
        }
    }
    found
}

fn has_type(value: &Value, name: &str) -> bool {
    match name {
        "null" => value.is_null(),
        "boolean" => value.is_boolean(),
        "object" => value.is_object(),
        "array" => value.is_array(),
        "string" => value.is_string(),
        "number" => value.is_number(),
        "integer" => value.is_u64() || value.is_i64(),
        _ => false,
    }
}

fn schema() -> Value {
    serde_json::from_str(SCHEMA).unwrap()
}

#[test]
fn every_measurement_keeps_to_the_schema() {
    let schema = schema();
    for (name, measurement) in cases() {
        let document: Value = serde_json::from_str(&document(&measurement)).unwrap();
        assert_eq!(faults(&schema, &schema, &document, ""), Vec::<String>::new(), "{name}");
    }
}

#[test]
fn the_check_finds_what_is_wrong() {
    let schema = schema();
    let good: Value = serde_json::from_str(&document(&cases()[0].1)).unwrap();
    let spoilt = |place: &str, value: Value| {
        let mut document = good.clone();
        *document.pointer_mut(place).unwrap() = value;
        faults(&schema, &schema, &document, "").len()
    };
    assert_eq!(spoilt("/flights/0/gravity_m_per_s2/value", json!("9.81")), 1);
    assert_eq!(spoilt("/flights/0/sightings/3/frame", json!(-1)), 1);
    assert_eq!(spoilt("/clip/name", json!(null)), 1);
    let mut more = good.clone();
    more["colour"] = json!("orange");
    assert_eq!(faults(&schema, &schema, &more, ""), [": colour is not in the schema"]);
    more.as_object_mut().unwrap().remove("colour");
    more.as_object_mut().unwrap().remove("clock");
    assert_eq!(faults(&schema, &schema, &more, ""), [": lacks \"clock\""]);
}

#[test]
fn every_key_is_described() {
    fn walk(schema: &Value, place: &str, bare: &mut Vec<String>) {
        for (key, inner) in schema.get("properties").and_then(Value::as_object).into_iter().flatten() {
            if inner["description"].as_str().is_none_or(str::is_empty) {
                bare.push(format!("{place}/{key}"));
            }
        }
    }
    let schema = schema();
    let mut bare = Vec::new();
    walk(&schema, "", &mut bare);
    for (name, part) in schema["$defs"].as_object().unwrap() {
        walk(part, name, &mut bare);
    }
    assert_eq!(bare, Vec::<String>::new());
}

#[test]
fn a_measurement_comes_back_from_its_json() {
    for (name, measurement) in cases() {
        let back: Measurement = serde_json::from_str(&document(&measurement)).unwrap();
        // To the last digit: the file has to reproduce the numbers. (Not `assert_eq`, which would print both documents.)
        assert!(document(&back) == document(&measurement), "{name}");
    }
}
