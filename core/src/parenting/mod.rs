//! The parenting suggester: who is the parent of each joint whose parent is undecided, how sure, and why.
//!
//! | module | holds |
//! |---|---|
//! | `skeleton`, `scene` | the joints, and everything looked up while pairs of them are judged |
//! | `names`, `lexicon` | what names say, in the company of the others; words and what hangs from what |
//! | `geometry`, `features` | the layout; the numbers that describe "p is the parent of j" |
//! | `model`, `batch` | fitted trees, kept as data; asked of many rows at once; `fit` (feature `fit`) makes them |
//! | `arborescence`, `marginals` | the best tree, and the probability of every edge over all trees |
//! | `conventions`, `reasons`, `suggest` | questions, words, the wire form |
//! | `second`, `way`, `solve` | the second look at kin and twins; what the body says; putting it all together |

pub mod arborescence;
mod batch;
mod conventions;
mod features;
#[cfg(feature = "fit")]
pub mod fit;
mod geometry;
mod lexicon;
pub mod marginals;
pub mod model;
mod names;
mod reasons;
mod scene;
mod second;
mod siblings;
mod skeleton;
mod solve;
mod suggest;
mod way;

pub use skeleton::{Decided, Item};
pub use solve::RootRule;
pub use suggest::{
    AnswerOption, Ask, DOUBTFUL, Doubt, MOST_OPEN, Parents, Proposal, Question, Refusal, RunnerUp,
    SURE_OTHER, Status, Suggestion, doubts, proposals, rejoined, suggest,
};
