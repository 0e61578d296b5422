//! Small boosted decision trees: a sum of yes/no questions about measurements, fitted step by step.

use serde::{Deserialize, Serialize};

/// One node: a question, or an answer when `left` is 0.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(from = "(u16, f32, u16, u16)", into = "(u16, f32, u16, u16)")]
pub struct Node {
    /// Which measurement.
    pub feature: u16,
    /// Go left when the measurement is below it; for an answer, its value (log odds).
    pub value: f32,
    /// Index of the node for yes; 0: this is an answer.
    pub left: u16,
    /// Index of the node for no.
    pub right: u16,
}

impl From<(u16, f32, u16, u16)> for Node {
    fn from((feature, value, left, right): (u16, f32, u16, u16)) -> Self {
        Self {
            feature,
            value,
            left,
            right,
        }
    }
}

impl From<Node> for (u16, f32, u16, u16) {
    fn from(n: Node) -> Self {
        (n.feature, n.value, n.left, n.right)
    }
}

/// A sum of trees: log odds of yes.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Trees {
    /// Log odds before any question.
    pub start: f32,
    /// The trees; node 0 is the root.
    pub trees: Vec<Vec<Node>>,
}

impl Trees {
    /// Log odds of yes for these measurements. Missing measurements (NaN) go to the right.
    pub fn log_odds(&self, measured: &[f32]) -> f32 {
        let mut sum = self.start;
        for tree in &self.trees {
            let mut at = 0;
            while let Some(node) = tree.get(at) {
                if node.left == 0 {
                    sum += node.value;
                    break;
                }
                let v = measured
                    .get(usize::from(node.feature))
                    .copied()
                    .unwrap_or(f32::NAN);
                at = usize::from(if v < node.value {
                    node.left
                } else {
                    node.right
                });
            }
        }
        sum
    }
}

/// How trees are fitted.
#[derive(Debug, Clone, PartialEq)]
pub struct GrowSettings {
    /// Number of trees.
    pub trees: usize,
    /// Most answers a tree. Raised: follows single photos; lowered: misses what goes together.
    pub leaves: usize,
    /// Share of each tree's answer that is taken.
    pub rate: f32,
    /// Least weight (sum of p(1-p)) on either side of a question.
    pub least_weight: f32,
    /// Pull of answers towards 0.
    pub pull: f32,
    /// Share of the measurements that a tree may ask about.
    pub feature_share: f32,
}

impl Default for GrowSettings {
    fn default() -> Self {
        Self {
            trees: 40,
            leaves: 24,
            rate: 0.15,
            least_weight: 3.0,
            pull: 3.0,
            feature_share: 0.5,
        }
    }
}

const BINS: usize = 64;

/// Fits trees to yes/no answers by boosting on the logistic loss, questions from histograms of 64 bins.
/// The same rows in the same order give the same trees.
///
/// # Source
/// Friedman, J. H. (2001), "Greedy function approximation: a gradient boosting machine", Annals of Statistics 29(5);
/// second-order answers as in Chen & Guestrin (2016), "XGBoost", KDD '16, eq. 5 to 7.
pub fn grow(rows: &[&[f32]], yes: &[bool], weight: &[f32], settings: &GrowSettings) -> Trees {
    let n = rows.len();
    let features = rows.first().map_or(0, |r| r.len());
    let (sum_yes, sum): (f32, f32) = (0..n).fold((0.0, 0.0), |(y, s), i| {
        (y + if yes[i] { weight[i] } else { 0.0 }, s + weight[i])
    });
    let share = (sum_yes / sum.max(1e-6)).clamp(1e-4, 1.0 - 1e-4);
    let start = (share / (1.0 - share)).ln();
    if n == 0 {
        return Trees {
            start: 0.0,
            trees: Vec::new(),
        };
    }
    let binned = Binned::new(rows, features);
    let mut odds = vec![start; n];
    let mut trees = Vec::new();
    for round in 0..settings.trees {
        let grads: Vec<[f32; 2]> = (0..n)
            .map(|i| {
                let p = 1.0 / (1.0 + (-odds[i]).exp());
                let y = if yes[i] { 1.0 } else { 0.0 };
                [weight[i] * (p - y), weight[i] * (p * (1.0 - p)).max(1e-6)]
            })
            .collect();
        let asked: Vec<usize> = (0..features)
            .filter(|f| chance(round as u64, *f as u64) < settings.feature_share)
            .collect();
        let tree = grow_one(&binned, &grads, &asked, settings, &mut odds);
        trees.push(tree);
    }
    Trees { start, trees }
}

/// A number in 0..1 from two: fixed, but without pattern (SplitMix64's mixing).
fn chance(a: u64, b: u64) -> f32 {
    let mut z = (a << 32 | b)
        .wrapping_mul(0x9e37_79b9_7f4a_7c15)
        .wrapping_add(0x9e37_79b9_7f4a_7c15);
    z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    ((z ^ (z >> 31)) >> 40) as f32 / (1_u64 << 24) as f32
}

struct Binned {
    /// Bin of each row, feature by feature.
    bins: Vec<Vec<u8>>,
    /// A row lies left of cut k when its bin is at most k.
    cuts: Vec<Vec<f32>>,
}

impl Binned {
    fn new(rows: &[&[f32]], features: usize) -> Self {
        let (mut bins, mut cuts) = (Vec::new(), Vec::new());
        for f in 0..features {
            let mut v: Vec<f32> = rows.iter().map(|r| r[f]).collect();
            v.sort_by(f32::total_cmp);
            let mut c: Vec<f32> = (1..BINS).map(|k| v[k * v.len() / BINS]).collect();
            c.dedup();
            bins.push(
                rows.iter()
                    .map(|r| c.partition_point(|cut| *cut <= r[f]) as u8)
                    .collect(),
            );
            cuts.push(c);
        }
        Self { bins, cuts }
    }
}

/// A leaf that may still be parted.
struct Leaf {
    node: usize,
    rows: Vec<u32>,
    gain: f32,
    feature: usize,
    cut: usize,
}

fn grow_one(
    binned: &Binned,
    grads: &[[f32; 2]],
    asked: &[usize],
    settings: &GrowSettings,
    odds: &mut [f32],
) -> Vec<Node> {
    let answer = |node| Node {
        feature: 0,
        value: node,
        left: 0,
        right: 0,
    };
    let mut nodes = vec![answer(0.0)];
    let mut leaves = vec![best_question(
        binned,
        grads,
        asked,
        settings,
        0,
        (0..grads.len() as u32).collect(),
    )];
    while leaves.len() < settings.leaves {
        let Some(k) = (0..leaves.len())
            .filter(|k| leaves[*k].gain > 1e-3)
            .max_by(|a, b| leaves[*a].gain.total_cmp(&leaves[*b].gain))
        else {
            break;
        };
        let leaf = leaves.swap_remove(k);
        let bins = &binned.bins[leaf.feature];
        let (yes, no): (Vec<u32>, Vec<u32>) = leaf
            .rows
            .iter()
            .partition(|i| usize::from(bins[**i as usize]) <= leaf.cut);
        let left = nodes.len();
        nodes.push(answer(0.0));
        nodes.push(answer(0.0));
        nodes[leaf.node] = Node {
            feature: leaf.feature as u16,
            value: binned.cuts[leaf.feature][leaf.cut],
            left: left as u16,
            right: left as u16 + 1,
        };
        leaves.push(best_question(binned, grads, asked, settings, left, yes));
        leaves.push(best_question(binned, grads, asked, settings, left + 1, no));
    }
    for leaf in leaves {
        let (g, h) = leaf.rows.iter().fold((0.0, 0.0), |(g, h), i| {
            let [gi, hi] = grads[*i as usize];
            (g + gi, h + hi)
        });
        let value = -settings.rate * g / (h + settings.pull);
        nodes[leaf.node].value = value;
        leaf.rows.iter().for_each(|i| odds[*i as usize] += value);
    }
    nodes
}

/// The question that parts these rows best.
fn best_question(
    binned: &Binned,
    grads: &[[f32; 2]],
    asked: &[usize],
    settings: &GrowSettings,
    node: usize,
    rows: Vec<u32>,
) -> Leaf {
    let (g, h) = rows.iter().fold((0.0, 0.0), |(g, h), i| {
        let [gi, hi] = grads[*i as usize];
        (g + gi, h + hi)
    });
    let worth = |g: f32, h: f32| g * g / (h + settings.pull);
    let mut best = Leaf {
        node,
        rows,
        gain: 0.0,
        feature: 0,
        cut: 0,
    };
    for &f in asked {
        let mut sums = [[0.0_f32; 2]; BINS + 1];
        let bins = &binned.bins[f];
        for i in &best.rows {
            let s = &mut sums[usize::from(bins[*i as usize])];
            let [gi, hi] = grads[*i as usize];
            s[0] += gi;
            s[1] += hi;
        }
        let (mut gl, mut hl) = (0.0, 0.0);
        for (cut, s) in sums.iter().enumerate().take(binned.cuts[f].len()) {
            gl += s[0];
            hl += s[1];
            if hl < settings.least_weight || h - hl < settings.least_weight {
                continue;
            }
            let gain = worth(gl, hl) + worth(g - gl, h - hl) - worth(g, h);
            if gain > best.gain {
                (best.gain, best.feature, best.cut) = (gain, f, cut);
            }
        }
    }
    best
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn trees_learn_what_no_single_question_tells() {
        // Yes when exactly one of two measurements is above a half.
        let rows: Vec<[f32; 3]> = (0..800_u64)
            .map(|i| [chance(i, 1), chance(i, 2), chance(i, 3)])
            .collect();
        let yes: Vec<bool> = rows.iter().map(|r| (r[0] > 0.5) != (r[1] > 0.5)).collect();
        let views: Vec<&[f32]> = rows.iter().map(|r| &r[..]).collect();
        let settings = GrowSettings {
            feature_share: 1.0,
            ..Default::default()
        };
        let weight = vec![1.0; rows.len()];
        let fitted = grow(&views, &yes, &weight, &settings);
        let right = (0..800_u64)
            .filter(|i| {
                let r = [chance(*i, 11), chance(*i, 12), chance(*i, 13)];
                (fitted.log_odds(&r) > 0.0) == ((r[0] > 0.5) != (r[1] > 0.5))
            })
            .count();
        assert!(right > 740, "only {right} of 800 new rows right");
        assert_eq!(fitted, grow(&views, &yes, &weight, &settings));
    }
}
