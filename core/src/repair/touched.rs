//! What fixes have touched in one round: two that touch one path in different ways are a conflict.

use std::collections::BTreeMap;

use serde_json::Value;

/// A path that two fixes want.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Clash {
    /// The path.
    pub path: String,
    /// The number of the fix that has it.
    pub with: usize,
}

/// The touched paths.
#[derive(Debug, Default)]
pub(super) struct Touched {
    /// By path: which fix, and what it put there (nothing for what is not a plain value).
    paths: BTreeMap<String, (usize, Option<Value>)>,
    /// By array: the lowest index from which elements have moved, and by which fix.
    moved: BTreeMap<String, (usize, usize)>,
    /// What was put at the ends of lists, by the list's `/-` path.
    appended: BTreeMap<String, Vec<Option<Value>>>,
}

impl Touched {
    /// Whether another fix has touched the path, something above it or something below it, in another way.
    pub(super) fn clash(&self, path: &str, value: Option<&Value>) -> Option<Clash> {
        let found = |path: &str, with: usize| Some(Clash { path: path.to_owned(), with });
        if let Some((with, before)) = self.paths.get(path)
            && (before.as_ref() != value || value.is_none())
        {
            return found(path, *with);
        }
        let mut above = path;
        while let Some((parent, token)) = above.rsplit_once('/') {
            if let Some((from, with)) = self.moved.get(parent)
                && token.parse::<usize>().is_ok_and(|at| at >= *from)
            {
                return found(parent, *with);
            }
            if let Some((with, _)) = self.paths.get(parent).filter(|_| !parent.is_empty()) {
                return found(parent, *with);
            }
            above = parent;
        }
        let below = format!("{path}/");
        self.paths
            .range(below.clone()..)
            .next()
            .filter(|(there, _)| there.starts_with(&below))
            .and_then(|(there, (with, _))| found(there, *with))
    }

    /// Notes a path.
    pub(super) fn add(&mut self, path: &str, value: Option<&Value>, by: usize) {
        self.paths.insert(path.to_owned(), (by, value.cloned()));
    }

    /// Notes an element that was put at the end of a list.
    pub(super) fn append(&mut self, path: &str, value: Option<&Value>) {
        self.appended.entry(path.to_owned()).or_default().push(value.cloned());
    }

    /// Whether another fix has put the same element there.
    pub(super) fn has_appended(&self, path: &str, value: Option<&Value>) -> bool {
        self.appended.get(path).is_some_and(|list| list.iter().any(|one| one.as_ref() == value))
    }

    /// Notes that the elements of an array from `from` on have moved.
    pub(super) fn shift(&mut self, array: &str, from: usize, by: usize) {
        let entry = self.moved.entry(array.to_owned()).or_insert((from, by));
        if from < entry.0 {
            *entry = (from, by);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    #[test]
    fn the_same_value_twice_is_no_clash_and_another_is() {
        let mut touched = Touched::default();
        touched.add("/joints/1/name", Some(&json!("a")), 0);
        assert_eq!(touched.clash("/joints/1/name", Some(&json!("a"))), None);
        assert!(touched.clash("/joints/1/name", Some(&json!("b"))).is_some());
        assert_eq!(touched.clash("/joints/1/tip", Some(&json!("a"))), None);
        assert_eq!(touched.clash("/joints/10/name", Some(&json!("b"))), None);
    }

    #[test]
    fn what_lies_above_or_below_clashes() {
        let mut touched = Touched::default();
        touched.add("/joints/1", None, 3);
        assert_eq!(touched.clash("/joints/1/name", None).map(|c| c.with), Some(3));
        assert_eq!(touched.clash("/joints", None).map(|c| c.with), Some(3));
        assert_eq!(touched.clash("/joints/2", None), None);
    }

    #[test]
    fn elements_that_moved_are_not_where_a_later_fix_looks() {
        let mut touched = Touched::default();
        touched.shift("/waivers", 2, 0);
        assert_eq!(touched.clash("/waivers/1/until", None), None);
        assert!(touched.clash("/waivers/2", None).is_some());
        assert!(touched.clash("/waivers/5/until", None).is_some());
    }
}
