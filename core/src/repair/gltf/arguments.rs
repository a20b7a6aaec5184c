//! The arguments of a named repair. They come from our own checks, but are read as if they did not.

use glam::{DQuat, DVec3};
use serde_json::Value;

use super::Stop;

/// The arguments.
pub(super) struct Arguments<'a>(pub(super) &'a Value);

impl<'a> Arguments<'a> {
    fn lack(name: &str) -> Stop {
        Stop::Refused(format!("the fix gives no usable {name}"))
    }

    /// An index.
    pub(super) fn index(&self, name: &str) -> Result<usize, Stop> {
        self.optional_index(name).ok_or_else(|| Self::lack(name))
    }

    /// An index, where it is given.
    pub(super) fn optional_index(&self, name: &str) -> Option<usize> {
        self.0.get(name).and_then(Value::as_u64).and_then(|index| usize::try_from(index).ok())
    }

    /// An index, or `null` for nothing.
    pub(super) fn index_or_null(&self, name: &str) -> Result<Option<usize>, Stop> {
        if self.0.get(name).is_some_and(Value::is_null) { Ok(None) } else { self.index(name).map(Some) }
    }

    /// A list of anything.
    pub(super) fn array(&self, name: &str) -> Result<&'a [Value], Stop> {
        self.0.get(name).and_then(Value::as_array).map(Vec::as_slice).ok_or_else(|| Self::lack(name))
    }

    /// The members of an object.
    pub(super) fn members(&self, name: &str) -> Result<impl Iterator<Item = (&'a str, &'a Value)>, Stop> {
        let object = self.0.get(name).and_then(Value::as_object).ok_or_else(|| Self::lack(name))?;
        Ok(object.iter().map(|(key, value)| (key.as_str(), value)))
    }

    /// A finite number.
    pub(super) fn number(&self, name: &str) -> Result<f64, Stop> {
        self.optional_number(name).ok_or_else(|| Self::lack(name))
    }

    /// A finite number, where it is given.
    pub(super) fn optional_number(&self, name: &str) -> Option<f64> {
        self.0.get(name).and_then(Value::as_f64).filter(|number| number.is_finite())
    }

    /// A text.
    pub(super) fn text(&self, name: &str) -> Result<&'a str, Stop> {
        self.0.get(name).and_then(Value::as_str).ok_or_else(|| Self::lack(name))
    }

    /// A list of objects.
    pub(super) fn list(&self, name: &str) -> Result<Vec<Arguments<'a>>, Stop> {
        let list = self.0.get(name).and_then(Value::as_array).ok_or_else(|| Self::lack(name))?;
        Ok(list.iter().map(Arguments).collect())
    }

    /// A list of lists of objects.
    pub(super) fn lists(&self, name: &str) -> Result<Vec<Vec<Arguments<'a>>>, Stop> {
        let list = self.0.get(name).and_then(Value::as_array).ok_or_else(|| Self::lack(name))?;
        list.iter()
            .map(|inner| inner.as_array().map(|inner| inner.iter().map(Arguments).collect()))
            .collect::<Option<_>>()
            .ok_or_else(|| Self::lack(name))
    }

    /// A list of indices.
    pub(super) fn indices(&self, name: &str) -> Result<Vec<usize>, Stop> {
        let list = self.0.get(name).and_then(Value::as_array).ok_or_else(|| Self::lack(name))?;
        list.iter()
            .map(|value| value.as_u64().and_then(|index| usize::try_from(index).ok()))
            .collect::<Option<_>>()
            .ok_or_else(|| Self::lack(name))
    }

    /// Vertices below `count`: one by one, or runs as `[first, last]`.
    pub(super) fn vertices(&self, name: &str, count: usize) -> Result<Vec<usize>, Stop> {
        let whole = |value: &Value| value.as_u64().and_then(|index| usize::try_from(index).ok());
        let mut out = Vec::new();
        for entry in self.array(name)? {
            let run = match entry.as_array().map(Vec::as_slice) {
                None => whole(entry).map(|vertex| (vertex, vertex)),
                Some([first, last]) => whole(first).zip(whole(last)),
                Some(_) => None,
            };
            let (first, last) = run.ok_or_else(|| Self::lack(name))?;
            if first > last || last >= count {
                return Err(super::no("vertex", last.max(first)));
            }
            // Runs that overlap would make the list longer than the mesh.
            if out.len() + (last - first) >= 2 * count {
                return Err(Self::lack(name));
            }
            out.extend(first..=last);
        }
        Ok(out)
    }

    fn numbers<const N: usize>(&self, name: &str) -> Result<[f64; N], Stop> {
        let list = self.0.get(name).and_then(Value::as_array).ok_or_else(|| Self::lack(name))?;
        let list: Vec<f64> = list.iter().filter_map(Value::as_f64).filter(|n| n.is_finite()).collect();
        list.try_into().map_err(|_| Self::lack(name))
    }

    /// A point or a direction.
    pub(super) fn vector(&self, name: &str) -> Result<DVec3, Stop> {
        self.numbers::<3>(name).map(DVec3::from_array)
    }

    /// A direction of unit length.
    pub(super) fn unit(&self, name: &str) -> Result<DVec3, Stop> {
        self.vector(name)?.try_normalize().ok_or_else(|| Self::lack(name))
    }

    /// A rotation, XYZW, brought to unit length.
    pub(super) fn rotation(&self, name: &str) -> Result<DQuat, Stop> {
        let turn = DQuat::from_array(self.numbers::<4>(name)?);
        if turn.length() > 1e-6 { Ok(turn.normalize()) } else { Err(Self::lack(name)) }
    }
}
