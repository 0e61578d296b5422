//! What a person said of a photo, as far as it is drawn.

use std::collections::BTreeMap;

use crate::{
    counts::Limits,
    frame::HowFound,
    marks::{OfPhoto, Standing, Verdict},
};

/// What a person said of a photo, as far as it is drawn. No names: a picture is handed on.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Said {
    /// By the object's number in the count that is drawn.
    pub verdicts: BTreeMap<u32, Verdict>,
    /// The frame's edge was set by hand.
    pub edge: bool,
    /// The whole count was called right.
    pub confirmed: bool,
    /// The tool's own count of loose beans.
    pub tool_beans: Option<Limits>,
}

impl Said {
    /// Of a photo; `None` where nothing was said that changes its picture.
    pub fn of(photo: &OfPhoto) -> Option<Self> {
        let applied = &photo.applied;
        let frame = applied.count.frame.as_ref();
        let edge = frame.is_some_and(|f| f.found.how == HowFound::Given);
        // Objects and what was said of them stand in the same order; of a photo that was set aside only the first do.
        let verdicts = (applied.count.objects.iter().zip(&applied.shown))
            .filter_map(|(object, shown)| Some((object.id, shown.verdict?)))
            .collect();
        (applied.standing != Standing::Untouched || edge).then_some(Self {
            verdicts,
            edge,
            confirmed: applied.standing == Standing::Confirmed,
            tool_beans: photo.tool_beans,
        })
    }
}
