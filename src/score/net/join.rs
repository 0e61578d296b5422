//! Fewer steps for the same network: what follows a convolution is done while its cells are at hand.

use std::collections::HashMap;

use super::plan::{Part, Step};

/// Steps put together where one value has one reader only: a doubling into the sum that reads it, a sum into the
/// convolution before it, and what makes nothing below zero into the step before it.
pub(super) fn joined(steps: Vec<Step>, answer: usize) -> Vec<Step> {
    let mut reads: HashMap<usize, usize> = HashMap::from([(answer, 1)]);
    for value in steps.iter().flat_map(Step::reads) {
        *reads.entry(value).or_default() += 1;
    }
    let once = |value: usize| reads.get(&value) == Some(&1);
    let mut out: Vec<Step> = Vec::new();
    for mut step in steps {
        if let Step::Mix { from, relu, into } = &mut step {
            for part in from.iter_mut() {
                let before = out
                    .iter()
                    .position(|s| s.makes() == part.value && once(part.value));
                if let Some(i) = before
                    && let Step::Mix {
                        from: inner,
                        relu: false,
                        ..
                    } = &out[i]
                    && let &[inner] = inner.as_slice()
                    && !part.doubled
                    && part.times == 1.0
                {
                    *part = inner;
                    out.remove(i);
                }
            }
            if let Some(step) = into_conv(&mut out, from, *relu, *into, &once) {
                out.push(step);
                continue;
            }
            if let [only] = from.as_slice()
                && *only
                    == (Part {
                        value: only.value,
                        times: 1.0,
                        doubled: false,
                    })
                && once(only.value)
                && let Some(i) = out.iter().position(|s| s.makes() == only.value)
                && let Step::Mix { relu: inner, .. } = &mut out[i]
            {
                *inner |= *relu;
                out[i].set_made(*into);
                continue;
            }
        }
        out.push(step);
    }
    out
}

/// A convolution of the steps so far that takes the sum's other part and what follows into itself.
fn into_conv(
    out: &mut Vec<Step>,
    from: &[Part],
    last: bool,
    made: usize,
    once: &impl Fn(usize) -> bool,
) -> Option<Step> {
    if from.len() > 2 || from.iter().any(|part| part.doubled || part.times != 1.0) {
        return None;
    }
    let (i, which) = from.iter().enumerate().rev().find_map(|(which, part)| {
        let i = out.iter().position(|s| s.makes() == part.value)?;
        let free = matches!(&out[i], Step::Conv { layer, add, .. } if !layer.relu && (add.is_none() || from.len() == 1));
        (free && once(part.value)).then_some((i, which))
    })?;
    let mut step = out.remove(i);
    step.set_made(made);
    if let Step::Conv { layer, add, .. } = &mut step {
        layer.relu = last;
        if let [one, other] = from {
            *add = Some(if which == 0 { other.value } else { one.value });
        }
    }
    Some(step)
}
