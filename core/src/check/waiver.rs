//! Documented exceptions.

use jiff::civil::Date;
use serde_json::Value;
use wildmatch::WildMatch;

use crate::model::nearest;
use crate::report::WaiverRef;

/// The family whose findings are about waivers: no waiver covers them.
pub(super) const UNWAIVABLE: &str = "policy";

/// Where a waiver was written down.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum WaiverPlace {
    /// In the input: JSON Pointers of its list and of itself.
    Inside {
        /// The list.
        list: String,
        /// The waiver.
        pointer: String,
    },
    /// In a side file that belongs to this input alone.
    Beside,
    /// In a side file, or a store, that serves other inputs as well: matching nothing here means nothing.
    Shared,
}

/// A waiver as declared.
#[derive(Debug, Clone)]
pub struct Waiver {
    check: WildMatch,
    subject: WildMatch,
    until: Option<Date>,
    wire: WaiverRef,
    written: Value,
    /// Whether policy lets it count.
    pub counts: bool,
    /// Where it was written down.
    pub place: WaiverPlace,
}

/// A waiver as a run met it.
#[derive(Debug, Clone)]
pub struct WaiverUse {
    /// The waiver.
    pub waiver: Waiver,
    /// Its `until` lies before the date of judgement.
    pub expired: bool,
    /// Whether it covers a finding of this run (were it not expired).
    pub matched: bool,
    /// Whether every check it can mean has run on everything, so that matching nothing means something.
    pub judged: bool,
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
pub(super) const MOST: usize = 500;
/// Bytes of a glob.
const LONGEST_GLOB: usize = 256;

impl Waiver {
    /// Reads a list of waivers (`[{check, subject, reason, by, until}]`).
    ///
    /// # Errors
    /// The first mistake, with its place below the list.
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

    /// Reads a list that stands in the input at `pointer`.
    ///
    /// # Errors
    /// The first mistake, with its place in the input.
    pub(super) fn read_inside(list: &Value, pointer: &str) -> Result<Vec<Self>, WaiverError> {
        let mut waivers = Self::read_list(list)
            .map_err(|error| WaiverError { pointer: format!("{pointer}{}", error.pointer), ..error })?;
        for (index, waiver) in waivers.iter_mut().enumerate() {
            waiver.place =
                WaiverPlace::Inside { list: pointer.to_owned(), pointer: format!("{pointer}/{index}") };
        }
        Ok(waivers)
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
                let near =
                    nearest(key, KNOWN).map_or(String::new(), |near| format!(" (did you mean {near}?)"));
                let key: String = key.chars().take(80).collect();
                return Err(fault(&format!("/{key}"), &format!("a waiver has no such member{near}")));
            }
        }
        let text = |key: &str| match object.get(key) {
            None | Some(Value::Null) => Ok(None),
            Some(Value::String(text)) => Ok(Some(text.clone())),
            Some(_) => Err(fault(&format!("/{key}"), &format!("{key} is a text"))),
        };
        let check = text("check")?.ok_or_else(|| fault("/check", "a waiver names a check"))?;
        let subject = text("subject")?.unwrap_or_else(|| "*".into());
        for (member, glob) in [("/check", &check), ("/subject", &subject)] {
            if glob.len() > LONGEST_GLOB {
                return Err(fault(member, "a glob has at most 256 bytes"));
            }
        }
        let reason = text("reason")?
            .filter(|r| !r.trim().is_empty())
            .ok_or_else(|| fault("/reason", "a waiver gives its reason"))?;
        let by = text("by")?.unwrap_or_default();
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
            written: item.clone(),
            counts: true,
            place: WaiverPlace::Beside,
        })
    }

    /// As it was written.
    pub fn written(&self) -> &Value {
        &self.written
    }

    /// The last day it holds, if there is one.
    pub fn until(&self) -> Option<Date> {
        self.until
    }

    /// Whether it is past its day (`until` is inclusive).
    pub fn expired(&self, as_of: Date) -> bool {
        self.until.is_some_and(|until| until < as_of)
    }

    /// Whether it covers a finding. Nothing covers what is said about waivers themselves.
    pub fn covers(&self, check: &str, subject: &str) -> bool {
        self.means(check) && self.subject.matches(subject)
    }

    /// Whether it is about a check.
    pub fn means(&self, check: &str) -> bool {
        self.check.matches(check) && check.split_once('/').is_none_or(|(family, _)| family != UNWAIVABLE)
    }

    /// What a report calls it.
    pub fn title(&self) -> String {
        let cut = |text: &str| text.chars().take(80).collect::<String>();
        format!("{} on {}", cut(&self.wire.check), cut(&self.wire.subject))
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
    fn nothing_covers_what_is_said_about_waivers() {
        let list = json!([{"check": "*", "reason": "the joke"}]);
        let waiver = &Waiver::read_list(&list).unwrap()[0];
        assert!(waiver.covers("skin/sum", "body"));
        assert!(!waiver.covers("policy/expired-waiver", "skin/sum on body"));
    }

    #[test]
    fn a_waiver_inside_the_input_knows_its_place() {
        let list = json!([{"check": "skin/sum", "reason": "x"}, {"check": "skin/sum", "reson": "x"}]);
        let error = Waiver::read_inside(&list, "/extras/condyle/waivers").unwrap_err();
        assert_eq!(error.pointer, "/extras/condyle/waivers/1/reson");
        assert_eq!(error.message, "a waiver has no such member (did you mean reason?)");
    }

    #[test]
    fn a_waiver_without_reason_is_refused_with_its_place() {
        // Taken for absent, it would cover everything.
        let error = Waiver::read_list(&json!([{"check": "a/b", "reason": "x", "subject": 5}])).unwrap_err();
        assert_eq!((error.pointer.as_str(), error.message.as_str()), ("/0/subject", "subject is a text"));
        let error = Waiver::read_list(&json!([{"check": "a/b"}])).unwrap_err();
        assert_eq!(error.pointer, "/0/reason");
    }
}
