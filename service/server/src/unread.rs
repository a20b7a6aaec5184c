//! What a refused request has still to say is heard out, so that its caller gets to read why.
//!
//! A server that answers and closes while bytes are unread resets the connection, and a reset takes the answer away
//! from a caller that is still sending (RFC 9112 §9.6). So the rest of a body that nobody reads to its end is read and
//! thrown away, for a moment and up to a size, whichever layer answered.

use std::pin::Pin;
use std::task::{Context, Poll};
use std::time::Duration;

use http_body_util::BodyExt as _;
use hyper::Request;
use hyper::body::{Body, Bytes, Frame, Incoming, SizeHint};
use hyper::header::EXPECT;

/// Bytes that are thrown away at most.
const MOST: u64 = 8 << 20;
/// How long they are waited for at most.
const MOMENT: Duration = Duration::from_secs(1);

/// A request's body, heard out when it is let go.
#[derive(Debug)]
pub(crate) struct HeardOut {
    /// Taken when this is let go.
    body: Option<Incoming>,
    /// Whether the caller sends: it waits for no word, or got it when the body was asked for its first piece.
    sends: bool,
}

impl HeardOut {
    /// A request with its body heard out, but for a caller that waits to be told to go on (RFC 9110 §10.1.1).
    pub(crate) fn of(request: Request<Incoming>) -> Request<Self> {
        let sends = !request.headers().contains_key(EXPECT);
        request.map(|body| Self { body: Some(body), sends })
    }
}

impl Body for HeardOut {
    type Data = Bytes;
    type Error = hyper::Error;

    fn poll_frame(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
    ) -> Poll<Option<Result<Frame<Bytes>, hyper::Error>>> {
        self.sends = true;
        match &mut self.body {
            Some(body) => Pin::new(body).poll_frame(context),
            None => Poll::Ready(None),
        }
    }

    fn is_end_stream(&self) -> bool {
        self.body.as_ref().is_none_or(Body::is_end_stream)
    }

    fn size_hint(&self) -> SizeHint {
        self.body.as_ref().map_or_else(SizeHint::default, Body::size_hint)
    }
}

impl Drop for HeardOut {
    fn drop(&mut self) {
        let Some(body) = self.body.take().filter(|body| self.sends && !body.is_end_stream()) else { return };
        if let Ok(runtime) = tokio::runtime::Handle::try_current() {
            runtime.spawn(tokio::time::timeout(MOMENT, throw_away(body)));
        }
    }
}

async fn throw_away(mut body: Incoming) {
    let mut left = MOST;
    while let Some(Ok(frame)) = body.frame().await {
        left = left.saturating_sub(frame.data_ref().map_or(0, |data| data.len() as u64));
        if left == 0 {
            break;
        }
    }
}
