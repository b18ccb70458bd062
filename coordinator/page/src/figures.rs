//! Figures out of the JSON files that steps write (`inspect`, `audit`, or a program of the artist's own): numbers and
//! verdicts of the outermost object, and the budgets of an audit with their limits.

use serde_json::Value;

use crate::words::number;

/// One figure of an item.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Figure {
    /// What was measured.
    pub name: String,
    /// As people read it, with its limit where there is one.
    pub value: String,
    /// Whether it keeps its budget, where there is one.
    pub kept: Option<bool>,
}

/// No more figures than this are shown for one item.
const MOST: usize = 32;

/// The figures of a JSON file; none when it is no object.
pub fn figures(json: &[u8]) -> Vec<Figure> {
    let Ok(Value::Object(outermost)) = serde_json::from_slice::<Value>(json) else {
        return Vec::new();
    };
    let mut found: Vec<Figure> = outermost
        .get("budgets")
        .and_then(Value::as_array)
        .into_iter()
        .flatten()
        .filter_map(judged)
        .collect();
    for (name, value) in &outermost {
        let value = match value {
            Value::Number(value) => value.as_f64().map(number),
            Value::Bool(flag) => Some(if *flag { "yes" } else { "no" }.to_owned()),
            _ => None,
        };
        // An audit's verdict is said by its budgets.
        if let Some(value) = value.filter(|_| name != "pass" || found.is_empty()) {
            found.push(Figure {
                name: name.replace('_', " "),
                value,
                kept: None,
            });
        }
    }
    // What is broken comes first, so that it is neither cut off nor folded away.
    found.sort_by_key(|figure| figure.kept != Some(false));
    found.truncate(MOST);
    found
}

fn judged(budget: &Value) -> Option<Figure> {
    let limit = |name: &str| budget.get(name).and_then(Value::as_f64).map(number);
    let figure = number(budget.get("figure")?.as_f64()?);
    let found: Vec<&str> = budget
        .get("found")
        .and_then(Value::as_array)
        .into_iter()
        .flatten()
        .filter_map(Value::as_str)
        .collect();
    let mut value = match (limit("least"), limit("most")) {
        (Some(least), Some(most)) => format!("{figure} ({least} to {most})"),
        (Some(least), None) => format!("{figure} (at least {least})"),
        (None, Some(most)) => format!("{figure} (at most {most})"),
        (None, None) => figure,
    };
    if !found.is_empty() {
        value.push_str(": ");
        value.push_str(&found.join(", "));
    }
    Some(Figure {
        name: budget.get("budget")?.as_str()?.replace('_', " "),
        value,
        kept: budget.get("pass").and_then(Value::as_bool),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn budgets_come_with_their_limits_and_plain_figures_as_they_are() {
        let audit =
            br#"{"pass":true,"budgets":[{"budget":"triangles","figure":4998,"most":5000,"pass":true}]}"#;
        assert_eq!(
            figures(audit),
            [Figure {
                name: "triangles".into(),
                value: "4998 (at most 5000)".into(),
                kept: Some(true)
            }]
        );
        let plain = figures(br#"{"area":1.25,"closed":true,"tags":{"iron":{}}}"#);
        assert_eq!(plain.len(), 2);
        assert_eq!(
            (plain[1].name.as_str(), plain[1].value.as_str()),
            ("closed", "yes")
        );
        let broken = br#"{"pass":false,"budgets":[{"budget":"triangles","figure":9,"most":10,"pass":true},
            {"budget":"names unlike the pattern","figure":2,"most":0,"pass":false,"found":["a","b"]}]}"#;
        let broken = figures(broken);
        assert_eq!((broken.len(), broken[0].kept), (2, Some(false)));
        assert_eq!(broken[0].value, "2 (at most 0): a, b");
        assert!(figures(b"[1]").is_empty() && figures(b"no").is_empty());
    }
}
