//! Colours of beans, pods, residue, stones and bars: 8-bit sRGB as seen in daylight, with how common each is (practice).

use super::chance::Dice;
use super::maths::{V3, linear};
use super::scene::Bar;

type Rgb = (u8, u8, u8);

fn lin(c: Rgb) -> V3 {
    linear(c.0, c.1, c.2)
}

const COATS: &[(Rgb, f32)] = &[
    ((226, 202, 150), 0.30),
    ((216, 188, 130), 0.24),
    ((232, 212, 168), 0.15),
    ((202, 170, 116), 0.11),
    ((196, 190, 132), 0.07),
    ((160, 130, 92), 0.05),
    ((174, 150, 112), 0.05),
    ((128, 92, 62), 0.03),
];

const HILA: &[(Rgb, f32)] = &[
    ((204, 168, 116), 0.34),
    ((42, 32, 30), 0.30),
    ((112, 74, 46), 0.22),
    ((222, 198, 142), 0.14),
];

/// Coat of a bean.
pub(super) fn coat(dice: &mut Dice) -> V3 {
    let c = lin(dice.weighted(COATS)) * 0.94;
    dice.tint(c, 0.06, 0.03)
}

/// Hilum: one for the field's variety, now and then another.
pub(super) fn hilum(dice: &mut Dice) -> V3 {
    lin(dice.weighted(HILA))
}

/// Closed pods.
pub(super) fn pod(dice: &mut Dice) -> V3 {
    let c = lin(dice.of(&[
        (172, 142, 102),
        (148, 118, 84),
        (118, 94, 70),
        (156, 140, 114),
        (186, 160, 120),
        (132, 116, 96),
    ]));
    dice.tint(c, 0.12, 0.03)
}

/// Kinds of residue by colour.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Residue {
    Stem,
    Leaf,
    Chaff,
    Husk,
    Straw,
    SeedCoat,
}

/// A piece of residue; `weathering` and `wetness` 0 to 1.
pub(super) fn residue(dice: &mut Dice, kind: Residue, weathering: f32, wetness: f32) -> V3 {
    let choices: &[Rgb] = match kind {
        Residue::Stem => &[
            (190, 164, 124),
            (172, 146, 110),
            (150, 134, 112),
            (206, 182, 140),
            (128, 106, 82),
            (160, 126, 86),
            (142, 112, 82),
        ],
        Residue::Leaf => &[
            (112, 86, 60),
            (134, 110, 82),
            (104, 80, 58),
            (150, 128, 98),
            (124, 106, 86),
            (118, 94, 66),
            (128, 92, 58),
        ],
        Residue::Chaff => &[
            (202, 174, 126),
            (184, 154, 108),
            (216, 192, 146),
            (166, 134, 92),
            (142, 114, 82),
            (190, 172, 138),
            (176, 146, 96),
            (226, 204, 156),
        ],
        Residue::Husk => &[
            (168, 140, 102),
            (148, 120, 86),
            (184, 158, 118),
            (138, 120, 98),
        ],
        Residue::Straw => &[(220, 190, 122), (208, 180, 116), (194, 168, 116)],
        Residue::SeedCoat => &[(226, 204, 156), (214, 186, 132), (204, 176, 124)],
    };
    let c = lin(dice.of(choices));
    let c = dice.tint(c, 0.15, 0.028);
    let grey = c.luminance() * 0.85;
    let aged = V3 {
        x: grey,
        y: grey * 0.97,
        z: grey * 0.9,
    };
    let age = weathering * if kind == Residue::Stem { 0.75 } else { 0.35 };
    c.towards(aged, age) * (1.0 - 0.42 * wetness)
}

/// Stones.
pub(super) fn stone(dice: &mut Dice) -> V3 {
    let c = lin(dice.of(&[
        (128, 122, 114),
        (108, 96, 84),
        (150, 116, 92),
        (168, 158, 144),
        (120, 84, 66),
        (190, 182, 168),
        (88, 84, 80),
        (176, 150, 116),
    ]));
    dice.tint(c, 0.12, 0.02)
}

/// Bars.
pub(super) fn bar(dice: &mut Dice, bar: Bar) -> V3 {
    let choices: &[Rgb] = match bar {
        Bar::WhitePipe => &[(224, 224, 220), (214, 212, 202)],
        Bar::GreyPipe => &[(142, 146, 150)],
        Bar::Wood => &[(214, 178, 128), (178, 160, 136), (228, 198, 150)],
        Bar::White => &[(226, 226, 222)],
        Bar::Orange => &[(238, 98, 28), (244, 120, 40)],
        Bar::Red => &[(196, 34, 30)],
        Bar::Blue => &[(32, 82, 168)],
        Bar::Yellow => &[(226, 186, 44)],
        Bar::Black | Bar::None => &[(38, 38, 40)],
    };
    lin(dice.of(choices))
}

/// Corner patches, four of them.
pub(super) fn patches(dice: &mut Dice) -> [V3; 4] {
    let all = [
        lin((204, 36, 34)),
        lin((30, 80, 188)),
        lin((40, 148, 60)),
        lin((244, 210, 40)),
    ];
    if dice.chance(0.5) {
        return all;
    }
    [lin(dice.of(&[(204, 36, 34), (30, 80, 188), (234, 60, 130), (28, 28, 30)])); 4]
}
