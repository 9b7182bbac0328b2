//! Draw-offs too small to see, in a cylinder of a hundred layers: they must not pass for standing loss.

use drawoff_contract::{Channel, HomeRows, Shape};
use drawoff_tank::Water;

use crate::by_hand::{ByHand, noted_of, put, read_alone};

const LAYERS: usize = 100;
const FEED_DEGC: f64 = 10.0;
const LOSS_W_PER_K: f64 = 1.6;
const START_MS: i64 = 1_769_904_000_000;

/// Layers from the top down; no mixing but by heating, no conduction.
struct Layers {
    degc: Vec<f64>,
    litres_each: f64,
    left_l: f64,
}

impl Layers {
    fn draw(&mut self, litres: f64) {
        self.left_l += litres;
        while self.left_l >= self.litres_each {
            self.left_l -= self.litres_each;
            self.degc.remove(0);
            self.degc.push(FEED_DEGC);
        }
    }

    /// Heat from the base: the coldest layers rise together.
    fn heat(&mut self, wh: f64, wh_per_layer_k: f64) {
        let kelvins = wh / wh_per_layer_k;
        let mut sum = 0.0;
        for k in 1..=LAYERS {
            sum += self.degc[LAYERS - k];
            let level = (sum + kelvins) / k as f64;
            if k == LAYERS || level <= self.degc[LAYERS - k - 1] {
                self.degc[LAYERS - k..].fill(level);
                return;
            }
        }
    }

    fn cool(&mut self, hours: f64, wh_per_layer_k: f64, room_degc: f64) {
        for t in &mut self.degc {
            *t -= LOSS_W_PER_K / LAYERS as f64 * (*t - room_degc) * hours / wh_per_layer_k;
        }
    }
}

/// 30 days at 5 min: a heat each night, two large draws a day, and `per_hour` draws of 0.7 l at any hour; the last value
/// is the true loss over the mean lift, W/K.
fn rows(hand: &ByHand, per_hour: f64) -> (HomeRows, f64) {
    let wh_per_layer_k = hand.volume_l / LAYERS as f64 * Water::Iapws.wh_per_l_k(45.0);
    let mut tank =
        Layers { degc: vec![60.0; LAYERS], litres_each: hand.volume_l / LAYERS as f64, left_l: 0.0 };
    let count = hand.days * 288;
    let mut probes = vec![Vec::new(); hand.heights.len()];
    let mut power = Vec::new();
    let mut rows = HomeRows::new(Shape::Wide);
    for i in 0..count {
        let of_day = i % 288;
        let chance = (i as f64 * 0.754_877_666_25).fract();
        let small = if chance < per_hour / 12.0 { 0.7 } else { 0.0 };
        let large = if of_day == 84 || of_day == 85 || of_day == 228 { 20.0 } else { 0.0 };
        tank.draw(small + large);
        // From 23:00 until the top is at the set point.
        let on = of_day >= 276 && tank.degc[LAYERS - 1] < 60.0;
        let watts = if on { 2500.0 } else { 0.0 };
        tank.heat(watts / 12.0, wh_per_layer_k);
        tank.cool(1.0 / 12.0, wh_per_layer_k, hand.room_degc);
        power.push(watts);
        for ((p, column), height) in probes.iter_mut().enumerate().zip(&hand.heights) {
            let layer = (((1.0 - height) * LAYERS as f64) as usize).min(LAYERS - 1);
            let noise = 0.2 * ((i * 7 + p * 3) as f64 * 0.618_033_988_75).fract() - 0.1;
            column.push(((tank.degc[layer] + noise) * 10.0).round() / 10.0);
        }
        rows.time_ms.push(START_MS + (i as i64 + 1) * 300_000);
    }
    rows.file = vec![0; count];
    for (p, column) in probes.into_iter().enumerate() {
        put(&mut rows, Channel::Probe(u8::try_from(p).unwrap()), column);
    }
    put(&mut rows, Channel::Power(0), power);
    put(&mut rows, Channel::Surroundings, vec![hand.room_degc; count]);
    // Every layer loses alike, so loss over mean lift is the coefficient itself.
    (rows, LOSS_W_PER_K)
}

#[test]
fn half_an_unseen_draw_off_an_hour_moves_the_loss_by_less_than_four_per_cent() {
    let hand = ByHand::default();
    let read = |per_hour: f64| {
        let (rows, truth) = rows(&hand, per_hour);
        let loss = read_alone(&noted_of(hand.cylinder(), rows)).loss.unwrap();
        loss.w_per_k / truth - 1.0
    };
    let errors: Vec<f64> = [0.0, 0.15, 0.3, 0.5].into_iter().map(read).collect();
    eprintln!("errors with 0, 0.15, 0.3 and 0.5 unseen draw-offs an hour: {errors:.3?}");
    assert!(errors.iter().all(|e| e.abs() < 0.04), "{errors:?}");
}
