//! The model that comes with podfall, or another one given by its file and card.

use crate::{
    counts::ModelName,
    photo,
    score::{
        card::Card,
        net::{Net, NetError},
    },
};

/// The model that scores: a network and its card.
#[derive(Debug)]
pub struct Model {
    /// Looks at the plot.
    pub net: Net,
    /// Scale, calibration, allowances.
    pub card: Card,
}

/// Why a model could not be used.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum ModelError {
    /// The network cannot be read.
    #[error(transparent)]
    Net(#[from] NetError),
    /// The card cannot be read.
    #[error("the model's card (the .toml beside the model file) cannot be read")]
    Card(#[source] toml::de::Error),
    /// The network is not the one that the card is of.
    #[error(
        "the model file has SHA-256 {found}, its card says {needed}; take file and card from the same place"
    )]
    Checksum {
        /// Of the file.
        found: String,
        /// On the card.
        needed: String,
    },
}

impl Model {
    /// The model that comes with podfall.
    ///
    /// # Panics
    /// Never, as long as the tests pass: the model in the binary is checked by one.
    pub fn built_in() -> Self {
        Self::from_bytes(
            include_bytes!("../models/beans-v1.onnx").to_vec(),
            include_str!("../models/beans-v1.toml"),
        )
        .expect("the model in the binary is whole")
    }

    /// A model from the bytes of its network and the text of its card.
    ///
    /// # Errors
    /// [`ModelError`] when either cannot be read or they do not belong together.
    pub fn from_bytes(network: Vec<u8>, card: &str) -> Result<Self, ModelError> {
        let card: Card = toml::from_str(card).map_err(ModelError::Card)?;
        let found = photo::sha256_hex(&network);
        if found != card.sha256 {
            return Err(ModelError::Checksum {
                found,
                needed: card.sha256,
            });
        }
        Ok(Self {
            net: Net::from_bytes(network)?,
            card,
        })
    }

    /// Its name and SHA-256.
    pub fn name(&self) -> ModelName {
        ModelName {
            name: self.card.name.clone(),
            sha256: self.card.sha256.clone(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_built_in_model_is_whole_and_belongs_to_its_card() {
        let model = Model::built_in();
        assert_eq!(model.name().sha256.len(), 64);
        assert!(model.card.px_per_mm > 1.0);
    }

    #[test]
    fn another_file_is_told_from_the_card() {
        let card = include_str!("../models/beans-v1.toml");
        let error = Model::from_bytes(vec![1, 2, 3], card)
            .unwrap_err()
            .to_string();
        assert!(error.contains("SHA-256"), "{error}");
    }
}
