//! Documented exceptions.

use jiff::civil::Date;
use serde_json::Value;
use wildmatch::WildMatch;

use crate::report::WaiverRef;

/// A waiver as declared.
#[derive(Debug, Clone)]
pub struct Waiver {
    check: WildMatch,
    subject: WildMatch,
    until: Option<Date>,
    wire: WaiverRef,
    /// Whether policy lets it count.
    pub counts: bool,
}

/// A waiver that cannot be read.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct WaiverError {
    /// JSON Pointer below the waiver list.
    pub pointer: String,
    /// What is wrong.
    pub message: String,
}

/// Waivers in one list: each is matched against each finding.
const MOST: usize = 500;
/// Bytes of a glob.
const LONGEST_GLOB: usize = 256;

impl Waiver {
    /// Reads a list of waivers (`[{check, subject, reason, by, until}]`).
    pub fn read_list(list: &Value) -> Result<Vec<Self>, WaiverError> {
        let Some(items) = list.as_array() else {
            return Err(WaiverError { pointer: String::new(), message: "waivers are a list".into() });
        };
        if items.len() > MOST {
            let message = format!("{} waivers are more than {MOST}", items.len());
            return Err(WaiverError { pointer: format!("/{MOST}"), message });
        }
        items.iter().enumerate().map(|(index, item)| Self::read(item, index)).collect()
    }

    fn read(item: &Value, index: usize) -> Result<Self, WaiverError> {
        let fault = |member: &str, message: &str| WaiverError {
            pointer: format!("/{index}{member}"),
            message: message.into(),
        };
        let Some(object) = item.as_object() else {
            return Err(fault("", "a waiver is an object"));
        };
        const KNOWN: [&str; 6] = ["check", "subject", "reason", "by", "until", "extras"];
        for key in object.keys() {
            if !KNOWN.contains(&key.as_str()) {
                return Err(fault(&format!("/{key}"), "a waiver has no such member"));
            }
        }
        let text = |key: &str| object.get(key).and_then(Value::as_str).map(str::to_owned);
        let check = text("check").ok_or_else(|| fault("/check", "a waiver names a check"))?;
        let subject = text("subject").unwrap_or_else(|| "*".into());
        for (member, glob) in [("/check", &check), ("/subject", &subject)] {
            if glob.len() > LONGEST_GLOB {
                return Err(fault(member, "a glob has at most 256 bytes"));
            }
        }
        let reason = text("reason")
            .filter(|r| !r.trim().is_empty())
            .ok_or_else(|| fault("/reason", "a waiver gives its reason"))?;
        let by = text("by").unwrap_or_default();
        let until = match object.get("until") {
            None | Some(Value::Null) => None,
            Some(value) => Some(
                value
                    .as_str()
                    .and_then(|s| s.parse::<Date>().ok())
                    .ok_or_else(|| fault("/until", "until is a date, YYYY-MM-DD"))?,
            ),
        };
        Ok(Self {
            check: WildMatch::new(&check),
            subject: WildMatch::new(&subject),
            until,
            wire: WaiverRef { check, subject, reason, by, until: until.map(|d| d.to_string()) },
            counts: true,
        })
    }

    /// Whether it is past its day (`until` is inclusive).
    pub fn expired(&self, as_of: Date) -> bool {
        self.until.is_some_and(|until| until < as_of)
    }

    /// Whether it covers a finding.
    pub fn covers(&self, check: &str, subject: &str) -> bool {
        self.check.matches(check) && self.subject.matches(subject)
    }

    /// Its wire form.
    pub fn wire(&self) -> &WaiverRef {
        &self.wire
    }
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "a test may stop at the first surprise")]
mod tests {
    use super::*;
    use serde_json::json;

    #[test]
    fn until_is_inclusive_and_globs_match() {
        let list = json!([{"check": "placement/*", "subject": "claw_*", "reason": "the joke", "until": "2027-03-01"}]);
        let waivers = Waiver::read_list(&list).unwrap();
        assert!(!waivers[0].expired("2027-03-01".parse().unwrap()));
        assert!(waivers[0].expired("2027-03-02".parse().unwrap()));
        assert!(waivers[0].covers("placement/mirror-drift", "claw_big"));
        assert!(!waivers[0].covers("skin/sum", "claw_big"));
    }

    #[test]
    fn a_waiver_without_reason_is_refused_with_its_place() {
        let error = Waiver::read_list(&json!([{"check": "a/b"}])).unwrap_err();
        assert_eq!(error.pointer, "/0/reason");
    }
}
