//! The model for a photo that is counted anew: that of the season's counts, and no other.

use std::{
    path::PathBuf,
    sync::{Arc, Mutex, PoisonError},
};

use super::{ConfirmError, Session};
use crate::{
    batch::{Layout, kept_model_path, read_model},
    counts::ModelName,
    model::{Model, built_in_card},
    pipeline::with_causes,
};

/// Which model is needed, and where its file is.
#[derive(Debug, Clone)]
pub struct ModelWanted {
    name: ModelName,
    /// None: nobody knows of a file.
    path: Option<PathBuf>,
}

impl Session {
    /// The model that the counts were made with.
    pub(super) fn model_wanted(&self) -> ModelWanted {
        let layout = Layout {
            out: self.folder().to_owned(),
        };
        ModelWanted {
            name: self.known.counts.model.clone(),
            path: self
                .inputs
                .model
                .clone()
                .or_else(|| kept_model_path(&layout)),
        }
    }
}

/// The model read last: reading one takes a while.
#[derive(Debug, Default)]
pub struct Models(Mutex<Option<Arc<Model>>>);

impl Models {
    /// The model that is wanted.
    ///
    /// # Errors
    /// [`ConfirmError::Model`] when its file is not known, not there, or another one.
    pub fn get(&self, wanted: &ModelWanted) -> Result<Arc<Model>, ConfirmError> {
        let mut last = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(model) = last
            .as_ref()
            .filter(|m| m.name().sha256 == wanted.name.sha256)
        {
            return Ok(model.clone());
        }
        let model = Arc::new(wanted.read()?);
        *last = Some(model.clone());
        Ok(model)
    }
}

impl ModelWanted {
    fn read(&self) -> Result<Model, ConfirmError> {
        if self.name.sha256 == built_in_card().sha256 {
            return Ok(Model::built_in());
        }
        let missing = |what: String| ConfirmError::Model {
            name: self.name.name.clone(),
            what,
        };
        let path = self.path.as_ref().ok_or_else(|| {
            missing("it is not the one built in, and its file is not known".to_owned())
        })?;
        let model = read_model(path).map_err(|e| missing(with_causes(&e)))?;
        let found = model.name().sha256;
        if found != self.name.sha256 {
            return Err(missing(format!(
                "{} is another one: its SHA-256 is {found}, and the counts were made with {}",
                path.display(),
                self.name.sha256
            )));
        }
        Ok(model)
    }
}
