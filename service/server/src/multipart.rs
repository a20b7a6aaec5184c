//! `multipart/form-data` (RFC 7578) of a body that is held whole: one linear pass, no copies, nothing trusted.

use axum::body::Bytes;
use memchr::memmem;

use crate::problem::ApiError;

/// Parts of one body.
const MOST_PARTS: usize = 256;
/// Bytes of one part's header block.
const MOST_HEADER: usize = 8 * 1024;

/// One part.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Part {
    /// The field's name.
    pub name: String,
    /// The file name, if there is one.
    pub file_name: Option<String>,
    /// The content.
    pub bytes: Bytes,
}

/// The boundary that a `Content-Type` gives.
pub fn boundary(content_type: &str) -> Option<String> {
    let value = parameter(content_type, "boundary")?;
    ((1..=70).contains(&value.len()) && value.bytes().all(|b| (b' '..=b'~').contains(&b))).then_some(value)
}

/// Splits a body into its parts.
pub fn split(body: &Bytes, boundary: &str) -> Result<Vec<Part>, ApiError> {
    let wrong = |text: &str| ApiError::InvalidMultipart(text.to_owned());
    let delimiter = format!("\r\n--{boundary}");
    let finder = memmem::Finder::new(delimiter.as_bytes());
    let mut at = if body.starts_with(&delimiter.as_bytes()[2..]) {
        delimiter.len() - 2
    } else {
        let start = finder.find(body).ok_or_else(|| wrong("the boundary does not occur in the body"))?;
        start + delimiter.len()
    };
    let mut parts = Vec::new();
    loop {
        let rest = &body[at..];
        if rest.starts_with(b"--") {
            return Ok(parts);
        }
        let padding = rest.iter().take_while(|b| matches!(b, b' ' | b'\t')).count();
        if !rest[padding..].starts_with(b"\r\n") {
            return Err(wrong("a boundary is not followed by a line break"));
        }
        at += padding + 2;
        if parts.len() == MOST_PARTS {
            return Err(ApiError::InvalidMultipart(format!("more than {MOST_PARTS} parts")));
        }
        let window = &body[at..body.len().min(at + MOST_HEADER)];
        let header = if window.starts_with(b"\r\n") {
            0
        } else {
            memmem::find(window, b"\r\n\r\n").ok_or_else(|| wrong("a part's headers do not end"))? + 2
        };
        let (name, file_name) = disposition(&window[..header])?;
        at += header + 2;
        // An empty part's delimiter begins with the line break that ends its headers.
        let from = at - 2;
        let end = finder.find(&body[from..]).ok_or_else(|| wrong("the last boundary is missing"))? + from;
        parts.push(Part { name, file_name, bytes: body.slice(at..end.max(at)) });
        at = end + delimiter.len();
    }
}

fn disposition(header: &[u8]) -> Result<(String, Option<String>), ApiError> {
    let wrong = |text: &str| ApiError::InvalidMultipart(text.to_owned());
    let text = std::str::from_utf8(header).map_err(|_| wrong("a part's headers are not UTF-8"))?;
    let line = text
        .split("\r\n")
        .filter_map(|line| line.split_once(':'))
        .find(|(key, _)| key.trim().eq_ignore_ascii_case("content-disposition"));
    let (_, value) = line.ok_or_else(|| wrong("a part has no Content-Disposition"))?;
    let name = parameter(value, "name").ok_or_else(|| wrong("a part has no name"))?;
    let file_name = parameter(value, "filename").map(|name| {
        // Browsers escape these three, and nothing else, in a quoted name.
        name.replace("%22", "\"").replace("%0D", "").replace("%0A", "")
    });
    Ok((name, file_name.filter(|name| !name.is_empty())))
}

/// A parameter of a header value, token or quoted string.
fn parameter(value: &str, wanted: &str) -> Option<String> {
    let mut rest = value.split_once(';')?.1;
    loop {
        rest = rest.trim_start_matches([' ', '\t', ';']);
        let (key, after) = rest.split_once('=')?;
        let after = after.trim_start();
        let (text, left) = if let Some(quoted) = after.strip_prefix('"') {
            let mut text = String::new();
            let mut end = None;
            let mut letters = quoted.char_indices();
            while let Some((index, letter)) = letters.next() {
                match letter {
                    '"' => {
                        end = Some(index + 1);
                        break;
                    }
                    // Some callers write `\"` as RFC 2822 says; a backslash before anything else is itself.
                    '\\' if quoted[index + 1..].starts_with('"') => {
                        text.push('"');
                        letters.next();
                    }
                    other => text.push(other),
                }
            }
            (text, &quoted[end?..])
        } else {
            let end = after.find(';').unwrap_or(after.len());
            (after[..end].trim().to_owned(), &after[end..])
        };
        if key.trim().eq_ignore_ascii_case(wanted) {
            return Some(text);
        }
        rest = left;
    }
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "a test may stop at the first surprise")]
mod tests {
    use super::*;

    fn parts(text: &str) -> Result<Vec<(String, Option<String>, String)>, String> {
        let split = split(&Bytes::from(text.to_owned()), "b").map_err(|error| format!("{error:?}"))?;
        let told = |p: Part| (p.name, p.file_name, String::from_utf8(p.bytes.to_vec()).unwrap());
        Ok(split.into_iter().map(told).collect())
    }

    #[test]
    fn parts_come_with_their_names() {
        let text = "preamble\r\n--b\r\nContent-Disposition: form-data; name=\"model\"; filename=\"a\\\"b;c.glb\"\r\n\
                    Content-Type: x\r\n\r\none\r\n--\r\ntwo\r\n--b  \r\ncontent-disposition: form-data; name=plan\r\n\r\n\r\n--b--\r\n";
        let expected = [
            ("model".to_owned(), Some("a\"b;c.glb".to_owned()), "one\r\n--\r\ntwo".to_owned()),
            ("plan".to_owned(), None, String::new()),
        ];
        assert_eq!(parts(text).unwrap(), expected);
    }

    #[test]
    fn broken_bodies_are_told() {
        let head = "--b\r\nContent-Disposition: form-data; name=\"a\"\r\n\r\n";
        for broken in [
            String::new(),
            "--b".into(),
            "--b\r\n".into(),
            "--bx".into(),
            "--b\r\n\r\n\r\n--b--".into(),
            "--b\r\nContent-Disposition: form-data; name=\"a\r\n\r\n\r\n--b--".into(),
            head.into(),
            format!("{head}x\r\n--b"),
            format!("--b\r\n{}", "x".repeat(20_000)),
            head.replace("--b", "\r\n--b").repeat(300),
        ] {
            assert!(parts(&broken).is_err(), "{broken:.80}");
        }
    }

    #[test]
    fn a_boundary_is_read_quoted_or_not() {
        assert_eq!(boundary("multipart/form-data; boundary=x1").as_deref(), Some("x1"));
        assert_eq!(boundary("multipart/form-data; charset=utf-8; Boundary=\"a b\"").as_deref(), Some("a b"));
        assert_eq!(boundary("multipart/form-data"), None);
        assert_eq!(boundary("multipart/form-data; boundary="), None);
    }
}
