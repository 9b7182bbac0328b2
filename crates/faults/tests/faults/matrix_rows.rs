//! What the rule matrix knows of each fault.

use drawoff_contract::{DailyWindow, Element, Fault, HeatSource};

use crate::by_hand::{CAPACITY_WH_PER_K, DAYS, Home, PROBES, scatter};
use crate::matrix::Row;

/// First day of a fault that begins within the record.
const ONSET: usize = 12;

fn each_day(home: &mut Home, mut change: impl FnMut(usize, &mut drawoff_contract::daybook::DayNote)) {
    for (i, day) in home.days.iter_mut().enumerate() {
        change(i, day);
    }
}

fn after_onset(home: &mut Home, mut change: impl FnMut(usize, &mut drawoff_contract::daybook::DayNote)) {
    each_day(home, |i, day| {
        if i >= ONSET {
            change(i, day);
        }
    });
}

fn heats(home: &mut Home, mut change: impl FnMut(usize, &mut drawoff_contract::daybook::SpellNote)) {
    let first = home.days[0].day.0;
    for spell in home.spells.iter_mut().filter(|s| s.kind == "heat") {
        let i = usize::try_from(spell.day.0 - first).unwrap();
        change(i, spell);
    }
}

fn as_is(_: &mut Home) {}

fn no_power(home: &mut Home) {
    each_day(home, |_, d| {
        d.element_dead_hours = vec![f32::NAN; 2];
        d.element_on_hours = vec![f32::NAN; 2];
        d.element_full_power_w = vec![f32::NAN; 2];
        d.element_uncalled_hours = vec![f32::NAN; 2];
        d.element_kwh = vec![f32::NAN; 2];
    });
}

fn no_meter(home: &mut Home) {
    no_power(home);
    each_day(home, |_, d| {
        d.heater_kwh = None;
        d.register_falls = None;
        d.register_over_power = None;
    });
}

fn no_set_point(home: &mut Home) {
    home.cylinder.set_point_degc = None;
}

fn two_probes(home: &mut Home) {
    home.cylinder.probe_heights.truncate(2);
}

fn one_probe(home: &mut Home) {
    home.cylinder.probe_heights.truncate(1);
}

fn top_pump(home: &mut Home) {
    home.cylinder.heat_source = HeatSource::TopPump;
    home.cylinder.source_rated_w = Some(3000.0);
    (home.cylinder.source_lower_height, home.cylinder.source_upper_height) = (Some(0.02), Some(0.96));
    each_day(home, |_, d| (d.pump_hours, d.pump_alone_hours) = (Some(2.2), Some(0.1)));
}

fn coil(home: &mut Home) {
    home.cylinder.heat_source = HeatSource::Coil;
    home.cylinder.elements.clear();
    home.cylinder.source_rated_w = Some(15_000.0);
    (home.cylinder.source_lower_height, home.cylinder.source_upper_height) = (Some(0.06), Some(0.4));
    no_meter(home);
    each_day(home, |i, d| {
        d.exchanger_units = Some(0.6 + 0.02 * scatter(i));
        d.called_still_kwh = Some(1.8 * 9.0);
    });
}

fn heat_pump(home: &mut Home) {
    home.cylinder.heat_source = HeatSource::HeatPump;
    home.cylinder.source_rated_w = Some(3000.0);
    home.cylinder.elements = vec![Element { index: 1, rated_w: 3000.0, height: 0.5 }];
    heats(home, |_, s| s.energy_kwh = Some(2.0));
    each_day(home, |i, d| {
        d.heater_kwh = Some(2.0);
        // A weekly heating against germs.
        d.element_kwh = vec![2.0, if i % 7 == 3 { 1.5 } else { 0.0 }];
    });
}

fn diverter(home: &mut Home) {
    home.cylinder.control = Some("pv".to_owned());
    each_day(home, |i, d| {
        d.export_kwh = Some(6.0 + scatter(i));
        d.export_with_room_kwh = Some(0.1);
    });
}

fn two_rates(home: &mut Home) {
    home.cylinder.low_rate = Some(DailyWindow { start_min: 60, minutes: 300 });
}

/// Heats as they are, and `share` of the energy moved to six in the evening from `from` on.
fn dear(home: &mut Home, share: f64, from: usize) {
    each_day(home, |i, d| {
        if i >= from {
            for slot in 4..8 {
                d.heater_kwh_by_half_hour[slot] = (1.475 * (1.0 - share)) as f32;
                d.heater_kwh_by_half_hour[slot + 32] = (1.475 * share) as f32;
            }
        }
    });
}

fn set(list: &mut [f32], place: usize, value: f64) {
    list[place] = value as f32;
}

/// Moves the highest readings of every probe, and of every heat's end, by so many kelvin.
fn peaks(home: &mut Home, from: usize, k: f64) {
    each_day(home, |i, d| {
        if i >= from {
            d.probe_max_degc.iter_mut().for_each(|v| *v += k as f32);
        }
    });
    heats(home, |i, s| {
        if i >= from {
            s.slope_or_stop.iter_mut().for_each(|v| *v += k as f32);
        }
    });
}

/// Idle water cools so many times as fast from `from` on.
fn cools(home: &mut Home, from: usize, factor: f64) {
    let first = home.days[0].day.0;
    for spell in home.spells.iter_mut().filter(|s| s.kind == "idle") {
        if usize::try_from(spell.day.0 - first).unwrap() >= from {
            spell.slope_or_stop.iter_mut().for_each(|v| *v *= factor as f32);
        }
    }
}

/// Idle water cools as on the first days, all the time.
fn cools_as_at_first(home: &mut Home) {
    let first: Vec<Vec<f32>> =
        home.spells.iter().filter(|s| s.kind == "idle").take(30).map(|s| s.slope_or_stop.clone()).collect();
    for (i, spell) in home.spells.iter_mut().filter(|s| s.kind == "idle").enumerate() {
        spell.slope_or_stop.clone_from(&first[i % first.len()]);
    }
}

/// Metered energy of everything times a factor.
fn metered(home: &mut Home, factor: f64) {
    each_day(home, |_, d| {
        d.heater_kwh = d.heater_kwh.map(|v| v * factor);
        d.element_kwh.iter_mut().for_each(|v| *v *= factor as f32);
        d.element_full_power_w.iter_mut().for_each(|v| *v *= factor as f32);
    });
    heats(home, |_, s| {
        s.energy_kwh = s.energy_kwh.map(|v| v * factor);
        s.power_w = s.power_w.map(|v| v * factor);
    });
}

/// Lowest probes exchanged with these kelvin of impossible order.
fn exchanged(home: &mut Home, k: f64) {
    after_onset(home, |_, d| set(&mut d.probe_inversion_k, PROBES + 2, k));
}

pub(crate) const ROWS: &[Row] = &[
    Row {
        fault: Fault::ElementOpen,
        able: as_is,
        lay: |h, hours| {
            let last = h.days.len() - 2;
            each_day(h, |i, d| {
                if i >= last {
                    set(&mut d.element_call_hours, 0, hours / 2.0);
                    set(&mut d.element_dead_hours, 0, hours / 2.0);
                    set(&mut d.element_on_hours, 0, 0.0);
                }
            });
        },
        sizes: [6.0, 0.7, 0.8],
        without: no_power,
        missing: "power of the element",
        // Switched off at the wall for a day, and on again.
        look_alike: |h| {
            set(&mut h.days[20].element_dead_hours, 0, 5.0);
            set(&mut h.days[20].element_call_hours, 0, 5.0);
        },
    },
    Row {
        fault: Fault::ElementHalf,
        able: as_is,
        lay: |h, lost| after_onset(h, |_, d| set(&mut d.element_full_power_w, 0, 3000.0 * (1.0 - lost))),
        sizes: [0.5, 0.31, 0.33],
        without: no_power,
        missing: "power of the element",
        // 207 V at a rating of 240 V.
        look_alike: |h| each_day(h, |_, d| set(&mut d.element_full_power_w, 0, 3000.0 * 0.744)),
    },
    Row {
        fault: Fault::ThermostatHot,
        able: as_is,
        lay: |h, k| {
            h.cylinder.set_point_degc = Some(60.2);
            peaks(h, ONSET, k);
        },
        sizes: [10.0, 2.5, 3.6],
        without: no_set_point,
        missing: "set point",
        // The user turned the set point up, and the register says so.
        look_alike: |h| {
            peaks(h, ONSET, 8.0);
            h.cylinder.set_point_degc = Some(68.0);
        },
    },
    Row {
        fault: Fault::ThermostatCold,
        able: as_is,
        lay: |h, k| peaks(h, ONSET, -k - 0.5),
        sizes: [10.0, 5.0, 6.2],
        without: no_set_point,
        missing: "set point",
        // A timer ends the heating.
        look_alike: |h| {
            peaks(h, ONSET, -10.0);
            let first = h.days[0].day_start_utc.0;
            heats(h, |i, s| s.end.0 = first + i as i64 * 86_400_000 + 4 * 3_600_000);
        },
    },
    Row {
        fault: Fault::Destratified,
        able: as_is,
        lay: |h, lost| after_onset(h, |_, d| d.spread_k = Some((1.0 - lost) * 50.0)),
        sizes: [0.9, 0.52, 0.66],
        without: two_probes,
        missing: "3 probes",
        // Nothing is drawn: layers level out in any cylinder.
        look_alike: |h| {
            each_day(h, |_, d| {
                d.spread_k = Some(5.0);
                d.draw_mean_fall_k = 0.0;
                d.net_out_kwh_by_half_hour = vec![0.02; 48];
                d.heater_kwh = Some(1.2);
            });
            h.draws.clear();
        },
    },
    Row {
        fault: Fault::LeakSteady,
        able: as_is,
        lay: |h, flow| {
            after_onset(h, |_, d| {
                d.quiet_night_l_per_min = Some(flow);
                d.quiet_day_l_per_min = Some(flow + 0.002);
            });
        },
        sizes: [0.12, 0.03, 0.045],
        without: one_probe,
        missing: "2 probes",
        // Guests draw into the night for a weekend.
        look_alike: |h| {
            for i in [25, 26] {
                h.days[i].quiet_night_l_per_min = Some(0.2);
                h.days[i].quiet_day_l_per_min = Some(0.2);
            }
        },
    },
    Row {
        fault: Fault::LeakHeating,
        able: as_is,
        lay: |h, flow| {
            // 0.15 l/min are about 430 W.
            let watts = flow * 60.0 * 47.0 * 1.16;
            after_onset(h, |_, d| d.heating_quiet_w = Some(watts + 5.0));
            heats(h, |i, s| {
                if i >= ONSET {
                    s.rise_k = s.rise_k.map(|r| r - 1.2 * watts * 2.0 / CAPACITY_WH_PER_K);
                }
            });
        },
        sizes: [0.4, 0.12, 0.19],
        without: no_meter,
        missing: "heater power or energy register",
        // Large family: most heats hold a draw-off, but not all.
        look_alike: |h| {
            each_day(h, |i, d| d.heating_quiet_w = Some(if i % 3 == 0 { 10.0 } else { 900.0 }));
        },
    },
    Row {
        fault: Fault::LossDoubled,
        able: as_is,
        lay: |h, factor| cools(h, ONSET, factor),
        sizes: [2.2, 1.25, 1.75],
        // What cooled so from the start can only be told from the register's figure.
        without: |h| {
            h.cylinder.declared_loss_w_per_k = None;
            cools_as_at_first(h);
        },
        missing: "declared standing loss",
        // A cold loft: it cools faster for the surroundings, which are measured.
        look_alike: |h| {
            each_day(h, |_, d| {
                d.surroundings_degc = Some(3.0);
                d.surroundings_by_half_hour = vec![3.0; 48];
            });
            for s in h.spells.iter_mut().filter(|s| s.kind == "idle") {
                s.surroundings_degc = Some(3.0);
                s.slope_or_stop =
                    s.level_degc.iter().map(|t| -1.6 * (t - 3.0) / CAPACITY_WH_PER_K as f32).collect();
            }
        },
    },
    Row {
        fault: Fault::GravityNight,
        able: as_is,
        lay: |h, watts| {
            let flow = watts / (60.0 * 47.0 * 1.16);
            after_onset(h, |_, d| d.quiet_night_l_per_min = Some(0.006 + flow));
        },
        sizes: [150.0, 40.0, 60.0],
        without: two_probes,
        missing: "3 probes",
        // A secondary return by design runs by day and by night.
        look_alike: |h| {
            each_day(h, |_, d| {
                d.quiet_night_l_per_min = Some(0.03);
                d.quiet_day_l_per_min = Some(0.03);
            });
        },
    },
    Row {
        fault: Fault::StuckOn,
        able: as_is,
        lay: |h, hours| {
            let last = h.days.len() - 1;
            set(&mut h.days[last].element_uncalled_hours, 0, hours / 2.0);
        },
        sizes: [10.0, 0.9, 1.1],
        without: |h| {
            no_power(h);
            no_set_point(h);
        },
        missing: "power and call",
        // A weekly heating against germs goes 12 K beyond the set point.
        look_alike: |h| {
            each_day(h, |i, d| {
                d.probe_max_degc.iter_mut().for_each(|v| *v += if i % 7 == 6 { 12.0 } else { 0.0 })
            })
        },
    },
    Row {
        fault: Fault::SensorStuck,
        able: as_is,
        lay: |h, hours| {
            let last = h.days.len() - 1;
            set(&mut h.days[last].probe_frozen_hours, 2, hours);
            set(&mut h.days[last].probe_frozen_expected_k, 2, 15.0);
        },
        sizes: [60.0, 22.0, 26.0],
        without: one_probe,
        missing: "2 probes",
        // Nobody is at home: every probe rests for days, and so does the water.
        look_alike: |h| {
            each_day(h, |i, d| {
                d.probe_frozen_hours = vec![(i * 24) as f32; PROBES];
                d.probe_frozen_expected_k = vec![1.0; PROBES];
            });
        },
    },
    Row {
        fault: Fault::SensorOffset,
        able: as_is,
        lay: |h, k| after_onset(h, |i, d| set(&mut d.probe_flat_residual_k, 2, k + 0.05 * scatter(i))),
        sizes: [6.0, 2.2, 2.8],
        without: two_probes,
        missing: "3 probes",
        // Use scatters the difference within the day: layers, not the probe.
        look_alike: |h| {
            each_day(h, |_, d| {
                set(&mut d.probe_flat_residual_k, 2, 4.0);
                set(&mut d.probe_flat_scatter_k, 2, 2.5);
            });
        },
    },
    Row {
        fault: Fault::SensorSwap,
        able: as_is,
        lay: exchanged,
        sizes: [4.0, 0.06, 0.12],
        without: two_probes,
        missing: "3 probes",
        // A probe that reads off leaves disorder that no exchange explains.
        look_alike: |h| {
            each_day(h, |_, d| {
                set(&mut d.probe_flat_residual_k, 2, 6.0);
                set(&mut d.probe_inversion_k, PROBES + 2, 3.0);
                set(&mut d.probe_inversion_k, 2, 2.0);
            });
        },
    },
    Row {
        fault: Fault::DataGaps,
        able: as_is,
        lay: |h, share| after_onset(h, |_, d| d.instants = (288.0 * (1.0 - share)).round() as i64),
        sizes: [0.3, 0.07, 0.09],
        // Rows are counted whatever they hold.
        without: no_meter,
        missing: "",
        // The export begins and ends within a day.
        look_alike: |h| {
            h.days[0].instants = 100;
            h.days[DAYS - 1].instants = 60;
        },
    },
    Row {
        fault: Fault::ClockShift,
        able: as_is,
        lay: |h, times| {
            if times >= 1.0 {
                h.days[ONSET].doubled = 12;
            } else {
                h.days[ONSET].doubled = 6;
            }
        },
        sizes: [1.0, 0.9, 1.0],
        without: no_meter,
        missing: "",
        // The change of hour moves a timer that does not follow it.
        look_alike: |h| {
            h.days[ONSET].hours = 23.0;
            heats(h, |i, s| {
                if i >= ONSET {
                    s.start.0 += 3_600_000;
                    s.end.0 += 3_600_000;
                }
            });
        },
    },
    Row {
        fault: Fault::MeterReset,
        able: as_is,
        lay: |h, times| h.days[ONSET].register_falls = Some(times as i64),
        sizes: [1.0, 0.0, 1.0],
        without: no_meter,
        missing: "energy register",
        look_alike: |h| h.days[ONSET].doubled = 3,
    },
    Row {
        fault: Fault::RelayChatter,
        able: as_is,
        lay: |h, starts| after_onset(h, |_, d| set(&mut d.element_starts_in_hour, 0, starts)),
        sizes: [11.0, 6.0, 7.0],
        without: |h| {
            no_power(h);
            each_day(h, |_, d| d.element_starts_in_hour = vec![f32::NAN; 2]);
        },
        missing: "power or call",
        // Guests: one day of many short heats.
        look_alike: |h| set(&mut h.days[26].element_starts_in_hour, 0, 9.0),
    },
    Row {
        fault: Fault::PumpFailed,
        able: top_pump,
        lay: |h, missing| {
            after_onset(h, |_, d| d.called_still_kwh = Some(1.8 * 3.0 * (1.0 - missing)));
        },
        sizes: [0.97, 0.75, 0.84],
        without: |h| each_day(h, |_, d| d.element_call_hours = vec![f32::NAN; 2]),
        missing: "call of the source",
        // The lowest permitted voltage and unseen small draw-offs.
        look_alike: |h| each_day(h, |_, d| d.called_still_kwh = Some(1.8 * 3.0 * 0.6)),
    },
    Row {
        fault: Fault::PumpStuck,
        able: top_pump,
        lay: |h, hours| after_onset(h, |_, d| d.pump_alone_hours = Some(hours)),
        sizes: [12.0, 0.9, 1.2],
        without: |h| each_day(h, |_, d| (d.pump_hours, d.pump_alone_hours) = (None, None)),
        missing: "state of the circulating pump",
        // Overrun after each heat, and an exercise against seizing.
        look_alike: |h| each_day(h, |_, d| d.pump_alone_hours = Some(0.5)),
    },
    Row {
        fault: Fault::ExchangerDecline,
        able: coil,
        lay: |h, lost| {
            after_onset(h, |i, d| d.exchanger_units = Some((0.6 + 0.02 * scatter(i)) * (1.0 - lost)))
        },
        sizes: [0.5, 0.28, 0.38],
        without: |h| h.cylinder.heat_source = HeatSource::Element,
        missing: "coil or plate exchanger",
        // One bad day: air in the coil, bled the next.
        look_alike: |h| h.days[24].exchanger_units = Some(0.2),
    },
    Row {
        fault: Fault::BackupHeating,
        able: heat_pump,
        lay: |h, days| {
            let n = h.days.len();
            each_day(h, |i, d| {
                let on = if i + 7 >= n { (n - 1 - i) < days as usize } else { i >= ONSET && days > 3.5 };
                d.element_kwh[1] = if on { 1.5 } else { 0.0 };
            });
        },
        sizes: [7.0, 2.0, 3.0],
        without: |h| {
            no_meter(h);
            heats(h, |_, s| s.energy_kwh = None);
        },
        missing: "heater power or energy register",
        // The weekly heating against germs.
        look_alike: as_is,
    },
    Row {
        fault: Fault::SurplusMissed,
        able: diverter,
        lay: |h, share| {
            after_onset(h, |_, d| {
                d.heater_kwh = Some(4.0);
                d.export_with_room_kwh = Some(4.0 * share / (1.0 - share));
            });
        },
        sizes: [0.7, 0.17, 0.25],
        without: |h| each_day(h, |_, d| (d.export_kwh, d.export_with_room_kwh) = (None, None)),
        missing: "power exported",
        // The cylinder is full: all goes to the grid.
        look_alike: |h| {
            each_day(h, |_, d| {
                d.export_kwh = Some(12.0);
                d.export_with_room_kwh = Some(0.0);
            });
        },
    },
    Row {
        fault: Fault::SensorDrift,
        able: as_is,
        lay: |h, k_per_week| {
            let onset = 3;
            each_day(h, |i, d| {
                let k = k_per_week * i.saturating_sub(onset) as f64 / 7.0;
                set(&mut d.probe_flat_residual_k, 2, k + 0.03 * scatter(i));
            });
        },
        sizes: [0.8, 0.18, 0.4],
        without: two_probes,
        missing: "3 probes",
        // A probe that was changed for one that reads off: a step, no drift.
        look_alike: |h| after_onset(h, |_, d| set(&mut d.probe_flat_residual_k, 2, 2.0)),
    },
    Row {
        fault: Fault::SensorHeight,
        able: as_is,
        lay: |h, share| {
            after_onset(h, |_, d| {
                let way = f64::from(d.probe_mean_degc[1] - d.probe_mean_degc[3]);
                let now = f64::from(d.probe_mean_degc[2]);
                set(&mut d.probe_mean_degc, 2, now - share * way);
            });
        },
        sizes: [0.9, 0.45, 0.65],
        without: two_probes,
        missing: "5 probes",
        // Guests draw the cylinder down for a weekend.
        look_alike: |h| {
            for i in [20, 21] {
                set(&mut h.days[i].probe_mean_degc, 2, 41.0);
            }
        },
    },
    Row {
        fault: Fault::MeterScale,
        able: as_is,
        lay: |h, factor| metered(h, 1.0 / factor),
        sizes: [2.0, 1.15, 1.4],
        without: no_meter,
        missing: "heater power or energy register",
        // Large family: every heat holds a draw-off, so less heat stays than was metered.
        look_alike: |h| heats(h, |_, s| s.rise_k = Some(15.0)),
    },
    Row {
        fault: Fault::DearHours,
        able: two_rates,
        lay: |h, share| dear(h, share, 0),
        sizes: [0.95, 0.7, 0.8],
        without: |h| h.cylinder.low_rate = None,
        missing: "low-rate hours",
        // The meter is kept on winter time: all is an hour late.
        look_alike: |h| {
            each_day(h, |_, d| d.heater_kwh_by_half_hour.rotate_right(6));
        },
    },
    Row {
        fault: Fault::RunsOut,
        able: as_is,
        lay: |h, days| {
            let n = h.days.len();
            each_day(h, |i, d| d.run_outs = i64::from(n - 1 - i < days as usize));
        },
        sizes: [14.0, 6.0, 8.0],
        without: |h| h.cylinder.probe_heights = vec![0.5, 0.4, 0.3, 0.2, 0.1],
        missing: "probe in the upper part",
        // Guests for a weekend.
        look_alike: |h| {
            for i in [19, 20] {
                h.days[i].run_outs = 2;
            }
        },
    },
    Row {
        fault: Fault::HygieneLow,
        able: as_is,
        lay: |h, minutes| {
            each_day(h, |_, d| d.probe_dose_decades = vec![((60.0 - minutes) / 2.0) as f32; PROBES]);
        },
        sizes: [60.0, 12.0, 18.0],
        without: |h| h.cylinder.probe_heights = vec![0.5, 0.4, 0.3, 0.2, 0.1],
        missing: "probe in the upper part",
        // Kept at 50 degC, and heated to 65 once a week.
        look_alike: |h| {
            each_day(h, |i, d| {
                d.probe_dose_decades = vec![if i % 7 == 5 { 200.0 } else { 2.0 }; PROBES];
            });
        },
    },
    Row {
        fault: Fault::ScaldRisk,
        able: as_is,
        lay: |h, days| {
            let n = h.days.len();
            each_day(h, |i, d| d.scald_hours = if n - 1 - i < days as usize { 6.0 } else { 0.0 });
        },
        sizes: [7.0, 3.0, 4.0],
        without: |h| h.cylinder.probe_heights = vec![0.5, 0.4, 0.3, 0.2, 0.1],
        missing: "probe in the upper part",
        // A weekly heating against germs.
        look_alike: |h| each_day(h, |i, d| d.scald_hours = if i % 7 == 6 { 8.0 } else { 0.0 }),
    },
];
