//! What proves that nothing was changed: lists of SHA-256, a packing that is the same every time, a signature, and
//! the check of all of it.

mod links;
mod list;
mod pack;
mod sign;
mod verify;

pub use list::{HashLine, ListError, list, read_list};
pub use pack::{PackError, Packer, Unpacked, unpack};
pub use sign::{NAMESPACE, SignError, Signed, sign, signed};
pub use verify::{Expect, Finding, Kind, Report, Seen, SeenFile, Verdict, is_kept, verify};
