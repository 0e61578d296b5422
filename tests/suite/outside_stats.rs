//! Statistics against published values and against general statistics libraries.
//!
//! "Library" below is scipy 1.17.1, or statsmodels 0.15.0 where it says so.

use podfall::stats::{
    agreement, concordance, fit_gamma_poisson, frames_needed_gamma_poisson, frames_needed_poisson,
    gamma_poisson_ln_pmf, gamma_quantile, normal_quantile, poisson_binomial_pmf, ratio_of_counts,
    student_t_quantile,
};

fn close(got: f64, wanted: f64, within: f64) {
    assert!(
        (got - wanted).abs() <= within,
        "got {got}, wanted {wanted} ± {within}"
    );
}

fn near(got: f64, wanted: f64, relative: f64) {
    close(got, wanted, relative * wanted.abs());
}

/// Quantiles of the gamma distribution, from which limits of a mean are drawn, against the exact Poisson limits of Garwood
/// (1936), Biometrika 28:437, which are such quantiles (handbook, section 5, computed).
#[test]
fn gamma_quantiles_are_the_exact_poisson_limits() {
    for (count, low, high) in [
        (0.0, 0.0, 3.6889),
        (1.0, 0.0253, 5.5716),
        (2.0, 0.2422, 7.2247),
        (3.0, 0.6187, 8.7673),
        (5.0, 1.6235, 11.6683),
        (10.0, 4.7954, 18.3904),
        (20.0, 12.2165, 30.8884),
        (40.0, 28.5766, 54.4686),
        (100.0, 81.364, 121.627),
    ] {
        if count > 0.0 {
            close(gamma_quantile(0.025, count), low, 6e-4);
        }
        close(gamma_quantile(0.975, count + 1.0), high, 6e-4);
    }
}

/// Krebs, Ecological Methodology, ch. 7 (from memory); results computed in the handbook, section 5.
#[test]
fn frames_needed() {
    close(
        frames_needed_gamma_poisson(6.0, 2.0, 0.25, 1.96),
        41.0,
        0.05,
    );
    close(frames_needed_poisson(6.0, 0.25, 1.96), 10.2, 0.05);
    close(
        frames_needed_gamma_poisson(10.0, 1.5, 0.25, 1.96),
        47.1,
        0.05,
    );
}

/// Published vignette of a general agreement package (handbook, section 5, read).
#[test]
fn concordance_and_agreement() {
    let pairs = [
        (7.83, 6.57),
        (7.42, 5.62),
        (7.89, 6.90),
        (7.12, 6.57),
        (6.16, 4.06),
        (7.26, 4.29),
        (6.71, 4.26),
        (4.75, 4.71),
        (5.24, 5.50),
        (4.86, 5.08),
        (4.78, 5.02),
        (6.05, 6.01),
        (5.42, 5.67),
        (4.21, 4.14),
        (3.61, 4.20),
        (3.72, 4.61),
        (3.87, 4.68),
        (3.92, 5.04),
    ];
    let lin = concordance(&pairs, 0.95).unwrap();
    close(lin.estimate, 0.4791, 5e-5);
    close(lin.low, 0.1276, 5e-5);
    close(lin.high, 0.7237, 5e-5);
    let bland = agreement(&pairs, normal_quantile(0.975)).unwrap();
    close(bland.mean_difference, 0.4383, 5e-5);
    close(bland.low, -1.947, 5e-4);
    close(bland.high, 2.824, 5e-4);
}

/// Bland & Altman (1986), Lancet i:307; data read, result from memory (handbook, section 5).
#[test]
fn peak_flow_pairs() {
    let pairs = [
        (494.0, 512.0),
        (395.0, 430.0),
        (516.0, 520.0),
        (434.0, 428.0),
        (476.0, 500.0),
        (557.0, 600.0),
        (413.0, 364.0),
        (442.0, 380.0),
        (650.0, 658.0),
        (433.0, 445.0),
        (417.0, 432.0),
        (656.0, 626.0),
        (267.0, 260.0),
        (478.0, 477.0),
        (178.0, 259.0),
        (423.0, 350.0),
        (427.0, 451.0),
    ];
    let got = agreement(&pairs, 2.0).unwrap();
    close(got.mean_difference, -2.1, 0.05);
    close(got.sd_difference, 38.8, 0.05);
    close(got.low, -79.7, 0.1);
    close(got.high, 75.5, 0.1);
}

/// Gamma quantiles down to shapes at which other libraries' chi-square goes wrong; library values.
#[test]
fn gamma_quantiles() {
    for (shape, p, wanted) in [
        (0.02, 0.01, 5.706_812_442_247_422e-101),
        (0.02, 0.5, 5.068_667_656_480_132e-16),
        (0.02, 0.975, 0.192_756_400_568_263_04),
        (0.2, 0.01, 6.525_480_843_812_091e-11),
        (0.2, 0.9999, 6.126_956_290_230_863),
        (0.5, 0.025, 0.000_491_034_558_587_627_8),
        (0.5, 0.975, 2.511_943_093_657_444),
        (1.0, 0.025, 0.025_317_807_984_289_876),
        (2.5, 1e-4, 0.041_088_687_914_207_715),
        (6.25, 0.975, 12.019_101_943_026_257),
        (44.44, 0.9999, 73.598_387_848_489_7),
    ] {
        near(gamma_quantile(p, shape), wanted, 1e-9);
    }
}

/// Student's t and normal quantiles; library values.
#[test]
fn t_and_normal_quantiles() {
    for (freedom, p, wanted) in [
        (1.0, 0.975, 12.706_204_736_174_694),
        (2.0, 0.995, 9.924_843_200_918_287),
        (3.0, 0.975, 3.182_446_305_283_707_8),
        (5.0, 0.9, 1.475_884_048_824_481_5),
        (30.0, 0.995, 2.749_995_653_567_225_4),
    ] {
        near(student_t_quantile(p, freedom), wanted, 1e-8);
        near(student_t_quantile(1.0 - p, freedom), -wanted, 1e-8);
    }
    near(normal_quantile(1e-4), -3.719_016_485_455_680_4, 1e-9);
    near(normal_quantile(0.9), 1.281_551_565_544_600_4, 1e-9);
}

/// Negative binomial log probabilities from the library; the fit from statsmodels 0.15.0 (NB2, constant only).
#[test]
fn gamma_poisson() {
    for (count, mean, k, wanted) in [
        (0.0, 6.0, 0.5, -1.282_474_678_730_768_4),
        (3.0, 6.0, 2.0, -2.249_340_578_475_233),
        (20.0, 6.0, 0.7, -4.952_927_849_282_78),
        (7.0, 2.5, 10.0, -4.152_629_635_247_01),
    ] {
        near(gamma_poisson_ln_pmf(count, mean, k), wanted, 1e-9);
    }
    let fit = fit_gamma_poisson(&[0.0, 3.0, 1.0, 7.0, 2.0, 12.0, 5.0, 0.0, 4.0, 9.0]).unwrap();
    near(fit.mean, 4.3, 1e-12);
    near(fit.k.unwrap(), 1.256_44, 1e-4);
    assert_eq!(fit_gamma_poisson(&[5.0, 5.0, 5.0, 6.0]).unwrap().k, None);
}

/// Convolution of seven coin tosses, done with numpy.
#[test]
fn poisson_binomial() {
    let p = [0.9, 0.8, 0.3, 0.05, 0.5, 0.5, 0.99];
    let wanted = [
        3.325e-05,
        0.003_806_5,
        0.053_295_75,
        0.235_06,
        0.383_308_75,
        0.258_460_5,
        0.063_362_25,
        0.002_673,
    ];
    for (got, wanted) in poisson_binomial_pmf(&p).into_iter().zip(wanted) {
        near(got, wanted, 1e-12);
    }
}

/// Cochran's formulas worked by hand: x = 8, 12, 10; y = 10, 15, 11 (R = 1.2, residuals 0.4, 0.6, −1, s²_d = 0.76).
#[test]
fn ratio_of_two_counts() {
    let got = ratio_of_counts(&[(8.0, 10.0), (12.0, 15.0), (10.0, 11.0)]).unwrap();
    near(got.ratio, 1.2, 1e-12);
    near(got.ratio_se, (0.76_f64 / 3.0).sqrt() / 10.0, 1e-12);
}
