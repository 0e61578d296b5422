//! The model that comes with podfall, or another one given by its file and card.

use crate::{
    counts::ModelName,
    photo,
    score::{
        card::{Allowance, Card, Near},
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
    /// A number on the card that cannot be.
    #[error(
        "the model's card says {what} is {value}, which cannot be; take file and card from the same place"
    )]
    Number {
        /// Which.
        what: &'static str,
        /// What stands there.
        value: f64,
    },
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
    /// The card tells of more or fewer looks from near than the file holds.
    #[error(
        "the model's card gives the sides of {sides} looks from near, its file holds {networks}; take file and card from the same place"
    )]
    NearLooks {
        /// On the card.
        sides: usize,
        /// In the file.
        networks: usize,
    },
}

/// The network that comes with podfall, and its card.
const NETWORK: &[u8] = include_bytes!("../models/beans-v10.onnx");
const CARD: &str = include_str!("../models/beans-v10.toml");

/// The card of the model that comes with podfall, without its network.
///
/// # Panics
/// Never, as long as the tests pass: the card in the binary is checked by one.
pub fn built_in_card() -> Card {
    toml::from_str(CARD).expect("the card in the binary is whole")
}

impl Model {
    /// The model that comes with podfall.
    ///
    /// # Panics
    /// Never, as long as the tests pass: the model in the binary is checked by one.
    pub fn built_in() -> Self {
        Self::from_bytes(NETWORK, CARD).expect("the model in the binary is whole")
    }

    /// A model from the bytes of its network and the text of its card.
    ///
    /// # Errors
    /// [`ModelError`] when either cannot be read or they do not belong together.
    pub fn from_bytes(network: &[u8], card: &str) -> Result<Self, ModelError> {
        let card: Card = toml::from_str(card).map_err(ModelError::Card)?;
        check_numbers(&card)?;
        let found = photo::sha256_hex(network);
        if found != card.sha256 {
            return Err(ModelError::Checksum {
                found,
                needed: card.sha256,
            });
        }
        let net = Net::from_bytes(network)?;
        let sides = card.near.as_ref().map(|near| near.sides_px.len());
        let networks = net.near_looks();
        if let Some(sides) = sides.filter(|&sides| networks > 0 && sides != networks) {
            return Err(ModelError::NearLooks { sides, networks });
        }
        Ok(Self { net, card })
    }

    /// Its name and SHA-256.
    pub fn name(&self) -> ModelName {
        ModelName {
            name: self.card.name.clone(),
            sha256: self.card.sha256.clone(),
        }
    }
}

/// Scales, px per mm, at which a network can look: a plot at a finer one does not fit into memory, at a coarser one
/// a bean is a pixel.
const SCALES: std::ops::RangeInclusive<f64> = 0.5..=12.0;

/// Sides, px, of a spot that can be looked at from near.
const SPOTS_PX: std::ops::RangeInclusive<usize> = 32..=256;

/// Passes a number of the card that holds.
fn number(what: &'static str, value: f64, holds: bool) -> Result<(), ModelError> {
    match holds {
        true => Ok(()),
        false => Err(ModelError::Number { what, value }),
    }
}

/// Refuses a card whose numbers would make nonsense of every photo.
fn check_numbers(card: &Card) -> Result<(), ModelError> {
    let scale = card.px_per_mm;
    number("px_per_mm", scale, SCALES.contains(&scale))?;
    for (what, calibration) in [
        ("a weight of bean", &card.bean),
        ("a weight of pod", &card.pod),
    ] {
        for weight in calibration.weights {
            number(what, weight, weight.is_finite())?;
        }
        let least = calibration.least_heat;
        number("least_heat", least, (0.0..=1.0).contains(&least))?;
    }
    check_allowance(&card.allowance)?;
    card.near.as_ref().map_or(Ok(()), check_near)
}

fn check_near(near: &Near) -> Result<(), ModelError> {
    let scale = near.px_per_mm;
    number("near.px_per_mm", scale, SCALES.contains(&scale))?;
    let looks = near.sides_px.len();
    number("the number of near.sides_px", looks as f64, looks > 0)?;
    for &side in &near.sides_px {
        let fits = SPOTS_PX.contains(&side) && side.is_multiple_of(32);
        number("a side of near.sides_px", side as f64, fits)?;
    }
    for weight in near.weights {
        number("a weight of near", weight, weight.is_finite())?;
    }
    for (what, value) in [
        ("near.least_heat", near.least_heat),
        ("near.least_photo_px_per_mm", near.least_photo_px_per_mm),
    ] {
        number(what, value, value.is_finite() && value >= 0.0)?;
    }
    check_allowance(&near.allowance)
}

fn check_allowance(allowance: &Allowance) -> Result<(), ModelError> {
    for (what, value, most) in [
        ("missed_beans", allowance.missed_beans, 10.0),
        ("missed_pods", allowance.missed_pods, 10.0),
        ("shift_logit", allowance.shift_logit, 10.0),
        (
            "shift_pods_logit",
            allowance.shift_pods_logit.unwrap_or_default(),
            10.0,
        ),
        ("stray", allowance.stray, 1000.0),
    ] {
        number(what, value, (0.0..=most).contains(&value))?;
    }
    for (what, value) in [
        ("missed_beans_weak", allowance.missed_beans_weak),
        ("missed_beans_scale", allowance.missed_beans_scale),
    ] {
        number(what, value, value.is_finite())?;
    }
    Ok(())
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
    fn a_card_with_an_impossible_number_is_refused() {
        for (key, value) in [
            ("px_per_mm", "nan"),
            ("px_per_mm", "1e9"),
            ("least_heat", "-1.0"),
            ("weights", "[inf, 1, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0]"),
            ("missed_beans ", "nan"),
            ("missed_beans_weak", "inf"),
            ("missed_beans_scale", "nan"),
            ("missed_pods", "-0.1"),
            ("shift_logit", "1e9"),
            ("shift_pods_logit", "-1"),
            ("stray", "1e12"),
            ("sides_px", "[64, 48]"),
            ("sides_px", "[]"),
            ("sides_px", "[100000]"),
            ("least_photo_px_per_mm", "nan"),
        ] {
            let line = CARD.lines().find(|line| line.starts_with(key)).unwrap();
            let damaged = CARD.replacen(line, &format!("{key} = {value}"), 1);
            let error = Model::from_bytes(&[1], &damaged).unwrap_err();
            assert!(matches!(error, ModelError::Number { .. }), "{key}: {error}");
        }
    }

    #[test]
    fn another_file_is_told_from_the_card() {
        let error = Model::from_bytes(&[1, 2, 3], CARD).unwrap_err().to_string();
        assert!(error.contains("SHA-256"), "{error}");
    }
}
