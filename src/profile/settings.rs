//! Every setting, once: its name, unit, sound range and meaning. The structs, the checker and `profile show` all
//! come from this one table.

/// What a setting may hold.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Holds {
    /// A number within a range, ends included.
    Number {
        /// Unit in words, empty for a bare number.
        unit: &'static str,
        /// Smallest sound value.
        low: f64,
        /// Largest sound value.
        high: f64,
    },
    /// One of these words.
    Word(&'static [&'static str]),
}

impl std::fmt::Display for Holds {
    /// `5 to 400 L`, or `"open" or "sealed"`.
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match *self {
            Holds::Number { unit: "", low, high } => write!(f, "{low} to {high}"),
            Holds::Number { unit, low, high } => write!(f, "{low} to {high} {unit}"),
            Holds::Word(words) => f.write_str(&super::read::one_of(words)),
        }
    }
}

/// One setting of the table.
#[derive(Debug, Clone, Copy)]
pub struct Setting {
    /// Table and key: `vehicle.tank_l`.
    pub path: &'static str,
    /// What it may hold.
    pub holds: Holds,
    /// What it means.
    pub doc: &'static str,
}

macro_rules! settings {
    ($($(#[doc = $sdoc:literal])* $section:ident $Section:ident {
        $($(#[doc = $doc:literal])* $key:ident: $kind:tt $args:tt;)*
    })*) => {
        $(
            $(#[doc = $sdoc])*
            #[derive(Debug, Clone, PartialEq)]
            pub struct $Section { $($(#[doc = $doc])* pub $key: settings!(@type $kind),)* }
        )*

        /// All settings of a profile, by table.
        #[derive(Debug, Clone, PartialEq)]
        pub struct Settings { $($(#[doc = $sdoc])* pub $section: $Section,)* }

        /// The table of settings.
        pub const SETTINGS: &[Setting] = &[$($(
            Setting {
                path: concat!(stringify!($section), ".", stringify!($key)),
                holds: settings!(@holds $kind $args),
                doc: concat!($($doc),*),
            },
        )*)*];

        impl Settings {
            /// Builds the settings from `number` and `word`, which answer for a path of the table.
            pub fn build<E>(
                mut number: impl FnMut(&'static str) -> Result<f64, E>,
                mut word: impl FnMut(&'static str) -> Result<String, E>,
            ) -> Result<Settings, E> {
                let _ = (&mut number, &mut word);
                Ok(Settings { $($section: $Section { $(
                    $key: settings!(@read $kind number word concat!(stringify!($section), ".", stringify!($key))),
                )* },)* })
            }

            /// The number at a path of the table; none if it holds a word or is not there.
            pub fn number(&self, path: &str) -> Option<f64> {
                $($(if path == concat!(stringify!($section), ".", stringify!($key)) {
                    return settings!(@number $kind self.$section.$key);
                })*)*
                None
            }

            /// The word at a path of the table; none if it holds a number or is not there.
            pub fn word(&self, path: &str) -> Option<&str> {
                $($(if path == concat!(stringify!($section), ".", stringify!($key)) {
                    return settings!(@word $kind self.$section.$key);
                })*)*
                None
            }
        }
    };
    (@type number) => { f64 };
    (@type word) => { String };
    (@holds number ($unit:literal, $low:literal, $high:literal)) => {
        Holds::Number { unit: $unit, low: $low, high: $high }
    };
    (@holds word ($($w:literal),*)) => { Holds::Word(&[$($w),*]) };
    (@number number $value:expr) => { Some($value) };
    (@number word $value:expr) => { None };
    (@word number $value:expr) => { None };
    (@word word $value:expr) => { Some(&$value) };
    (@read number $number:ident $word:ident $path:expr) => { $number($path)? };
    (@read word $number:ident $word:ident $path:expr) => { $word($path)? };
}

settings! {
    /// What is under test.
    subject Subject {
        /// A vehicle, or a module that lies on the tray.
        is: word("vehicle", "module");
    }
    /// The tank and what hangs on it.
    vehicle Vehicle {
        /// Nominal tank volume.
        tank_l: number("L", 5.0, 400.0);
        /// Volume above "full", in percent of the nominal tank.
        ullage_pct: number("%", 0.0, 40.0);
        /// Canister, lines and filler.
        lines_l: number("L", 0.0, 40.0);
        /// Half-width of the uncertainty of the whole vapour volume (90 %).
        volume_spread_pct: number("%", 0.0, 60.0);
        /// Vapour volume that was measured; 0 if none was, and it follows from the tank's own.
        measured_l: number("L", 0.0, 500.0);
        /// Fuel level at which it was measured.
        measured_level_pct: number("%", 0.0, 100.0);
        /// Half-width of its uncertainty (90 %).
        measured_spread_pct: number("%", 0.0, 60.0);
        /// Fuel drawn at a warm idle (800 1/min, 35 kPa in the manifold), lowest.
        idle_fuel_low_l_per_h: number("L/h", 0.0, 20.0);
        /// Fuel drawn at a warm idle, highest.
        idle_fuel_high_l_per_h: number("L/h", 0.0, 20.0);
    }
    /// The fuel.
    fuel Fuel {
        /// Reid vapour pressure of the gasoline without its ethanol, lowest of the season.
        rvp_low_psi: number("psi", 1.0, 16.0);
        /// Reid vapour pressure of the gasoline without its ethanol, highest of the season.
        rvp_high_psi: number("psi", 1.0, 16.0);
        /// Ethanol content: it may raise the vapour pressure by 1 psi; above 15 % the vapour model is flagged, and the
        /// range reaches down as well. 0 where the vapour pressure was measured on the blend.
        ethanol_pct: number("%", 0.0, 100.0);
    }
    /// Reid vapour pressure of the seasons' gasolines without ethanol, for a plan.
    season Season {
        /// Summer, lowest.
        summer_low_psi: number("psi", 1.0, 16.0);
        /// Summer, highest.
        summer_high_psi: number("psi", 1.0, 16.0);
        /// Spring and autumn, lowest.
        between_low_psi: number("psi", 1.0, 16.0);
        /// Spring and autumn, highest.
        between_high_psi: number("psi", 1.0, 16.0);
        /// Winter, lowest.
        winter_low_psi: number("psi", 1.0, 16.0);
        /// Winter, highest.
        winter_high_psi: number("psi", 1.0, 16.0);
    }
    /// What a plan supposes of the parked vehicle.
    plan Plan {
        /// With the key off the vent stays sealed for this long.
        sealed_for_s: number("s", 60.0, 172800.0);
        /// Coolant at key-off, after a drive.
        coolant_c: number("°C", -40.0, 130.0);
        /// Time lag of the coolant behind the outside air after key-off, shortest.
        coolant_lag_low_s: number("s", 60.0, 100000.0);
        /// Time lag of the coolant behind the outside air after key-off, longest.
        coolant_lag_high_s: number("s", 60.0, 100000.0);
    }
    /// The vent valve.
    vent Vent {
        /// What energising the solenoid does.
        energised: word("open", "sealed");
        /// Effective diameter of the open vent path.
        open_path_mm: number("mm", 1.0, 30.0);
        /// Below this effective diameter the path counts as restricted.
        restricted_below_mm: number("mm", 0.5, 30.0);
    }
    /// The leak switch.
    switch Switch {
        /// Whether the vehicle has one.
        fitted: word("yes", "no");
        /// Vacuum at which units close, lowest.
        closes_low_pa: number("Pa", 20.0, 2000.0);
        /// Vacuum at which units close, highest.
        closes_high_pa: number("Pa", 20.0, 2000.0);
        /// Vacuum at which units re-open, lowest.
        reopens_low_pa: number("Pa", 5.0, 2000.0);
        /// Vacuum at which units re-open, highest.
        reopens_high_pa: number("Pa", 5.0, 2000.0);
    }
    /// The two reliefs.
    reliefs Reliefs {
        /// Opening pressure, lowest.
        pressure_low_pa: number("Pa", 10.0, 5000.0);
        /// Opening pressure, highest.
        pressure_high_pa: number("Pa", 10.0, 5000.0);
        /// Opening vacuum, lowest.
        vacuum_low_pa: number("Pa", 100.0, 8000.0);
        /// Opening vacuum, highest.
        vacuum_high_pa: number("Pa", 100.0, 8000.0);
        /// The trace counts as standing when it changes less than this in `flat_s`.
        flat_band_pa: number("Pa", 1.0, 500.0);
        /// How long it must stand.
        flat_s: number("s", 0.5, 3600.0);
    }
    /// The switch's sense line.
    sense Sense {
        /// Whether the controller keeps its pull-up on while the key is off.
        bias: word("always", "pulsed", "none");
        /// Pull-up voltage.
        pull_up_v: number("V", 1.0, 30.0);
        /// Pull-up resistor.
        pull_up_ohm: number("ohm", 10.0, 1000000.0);
        /// Resistor built into the module in series with the switch.
        series_ohm: number("ohm", 0.0, 100000.0);
        /// Above this the line reads open.
        open_above_v: number("V", 0.1, 30.0);
        /// Below this the line reads closed.
        closed_below_v: number("V", 0.01, 30.0);
        /// Below this a line whose bias is not certain counts as having none.
        dead_below_v: number("V", 0.0, 5.0);
        /// Resistance in the closed circuit beyond `series_ohm` that counts as a fault.
        excess_ohm: number("ohm", 0.1, 100000.0);
        /// Rise of the module's ground with the solenoid on that counts as a fault.
        ground_rise_v: number("V", 0.01, 10.0);
        /// A state must last this long to count as an edge.
        bounce_s: number("s", 0.0, 10.0);
        /// More short flips than this in one minute count as chatter.
        chatter_per_min: number("", 1.0, 1000.0);
    }
    /// The vent solenoid's current.
    solenoid Solenoid {
        /// Mean current above which it is taken as on.
        on_above_a: number("A", 0.005, 5.0);
        /// Mean current below which it is taken as off.
        off_below_a: number("A", 0.001, 5.0);
        /// Peak current at pull-in, lowest sound value.
        pull_in_low_a: number("A", 0.01, 20.0);
        /// Peak current at pull-in, highest sound value.
        pull_in_high_a: number("A", 0.01, 50.0);
        /// Mean holding current, lowest sound value.
        hold_low_a: number("A", 0.005, 20.0);
        /// Mean holding current, highest sound value.
        hold_high_a: number("A", 0.01, 20.0);
    }
    /// How evidence becomes a phase.
    phases Phases {
        /// Engine speed above which the engine runs.
        running_above_rpm: number("rpm", 100.0, 3000.0);
        /// Engine speed below which it stands.
        stopped_below_rpm: number("rpm", 0.0, 1000.0);
        /// Supply above which a charging engine is suggested.
        charging_above_v: number("V", 8.0, 32.0);
        /// Supply below which cranking is suggested.
        crank_below_v: number("V", 4.0, 24.0);
        /// Manifold below barometer by this much is a witness of a running engine.
        manifold_vacuum_kpa: number("kPa", 1.0, 80.0);
        /// A new phase must be supported this long.
        hold_s: number("s", 0.0, 60.0);
        /// Purge duty above which purge is on.
        purge_on_pct: number("%", 0.1, 100.0);
        /// Purge duty below which purge is off.
        purge_off_pct: number("%", 0.0, 100.0);
        /// A channel not sampled for this long (or four of its own intervals) is stale.
        stale_s: number("s", 0.1, 3600.0);
        /// A step of the adapter's clock beyond this is named.
        clock_step_s: number("s", 0.1, 3600.0);
        /// Silence beyond this is a gap in the record.
        gap_s: number("s", 1.0, 36000.0);
    }
    /// The key-off soak.
    soak Soak {
        /// Earliest switch edge that counts, from key-off.
        earliest_edge_s: number("s", 0.0, 7200.0);
        /// Lowest fuel level.
        level_low_pct: number("%", 0.0, 100.0);
        /// Highest fuel level.
        level_high_pct: number("%", 0.0, 100.0);
        /// Lowest outside temperature.
        ambient_low_c: number("°C", -50.0, 60.0);
        /// Shortest soak that is judged at all.
        shortest_s: number("s", 60.0, 86400.0);
        /// Shortest soak after which an open switch means anything.
        open_after_s: number("s", 60.0, 172800.0);
        /// Longest gap in the record that a soak survives.
        longest_gap_s: number("s", 0.0, 86400.0);
        /// Battery voltage at rest below which the overnight tap should stop.
        battery_stop_v: number("V", 6.0, 30.0);
    }
    /// The start vent.
    start_vent StartVent {
        /// Trapped vacuum must be gone this soon after the vent opens.
        within_s: number("s", 0.1, 600.0);
        /// Least vacuum, where there is a pressure channel, for the test to mean anything.
        least_vacuum_pa: number("Pa", 10.0, 2000.0);
    }
    /// The purge response.
    purge_response PurgeResponse {
        /// Manifold below barometer by at least this.
        manifold_vacuum_kpa: number("kPa", 1.0, 80.0);
        /// Vacuum must be there this soon after sealed purge begins.
        within_s: number("s", 0.5, 600.0);
        /// Shortest sealed purge that is judged when nothing is seen.
        shortest_s: number("s", 0.5, 600.0);
        /// Vacuum that counts as a response where there is a pressure channel.
        response_pa: number("Pa", 20.0, 3000.0);
    }
    /// The vacuum decay.
    decay Decay {
        /// Coolant at start above ambient by not more than this.
        start_above_ambient_k: number("K", 0.0, 60.0);
        /// Lowest outside temperature at start.
        ambient_low_c: number("°C", -50.0, 60.0);
        /// Highest outside temperature at start.
        ambient_high_c: number("°C", -50.0, 80.0);
        /// Highest fuel level.
        level_high_pct: number("%", 0.0, 100.0);
        /// Lowest supply.
        battery_low_v: number("V", 4.0, 30.0);
        /// Lowest barometer.
        baro_low_kpa: number("kPa", 40.0, 110.0);
        /// Shortest decay that is judged.
        shortest_s: number("s", 0.1, 600.0);
        /// Least vacuum at purge-off, where there is a pressure channel.
        least_vacuum_pa: number("Pa", 20.0, 3000.0);
    }
    /// The leak limits.
    leak Leak {
        /// A hole of this size or more fails, named small.
        small_mm: number("mm", 0.1, 10.0);
        /// A hole of this size or more is named large.
        large_mm: number("mm", 0.1, 20.0);
        /// How sure a verdict must be.
        sure: number("", 0.8, 0.9999);
    }
    /// The timer rule: what a controller decides that knows neither volume nor fuel nor the vacuum it began with. It is
    /// told beside the verdicts and has no part in them.
    timer Timer {
        /// The switch re-opening sooner than this after purge-off means a small leak.
        small_s: number("s", 0.5, 3600.0);
        /// The switch re-opening sooner than this means a large leak.
        large_s: number("s", 0.1, 3600.0);
        /// With a pressure sensor: the fall of vacuum is taken over this time.
        fall_s: number("s", 0.5, 3600.0);
        /// A fall of this or more means a small leak.
        small_fall_pa: number("Pa", 5.0, 5000.0);
        /// A fall of this or more means a large leak.
        large_fall_pa: number("Pa", 5.0, 5000.0);
        /// With a pressure sensor: a soak that comes this far from the air's pressure, either way, is a pass.
        soak_pa: number("Pa", 5.0, 5000.0);
    }
    /// What the physical model does not know.
    model Model {
        /// Discharge coefficient to which "equivalent hole" refers.
        discharge_cd: number("", 0.3, 1.0);
        /// Time lag of the vapour behind the tank wall, shortest.
        vapour_lag_low_s: number("s", 1.0, 20000.0);
        /// Time lag of the vapour behind the tank wall, longest.
        vapour_lag_high_s: number("s", 1.0, 20000.0);
        /// Time lag of tank and fuel behind the outside air, shortest.
        fuel_lag_low_s: number("s", 60.0, 200000.0);
        /// Time lag of tank and fuel behind the outside air, longest.
        fuel_lag_high_s: number("s", 60.0, 400000.0);
        /// Time for the headspace to come to equilibrium with the fuel, shortest.
        evaporation_low_s: number("s", 1.0, 100000.0);
        /// Time for the headspace to come to equilibrium with the fuel, longest.
        evaporation_high_s: number("s", 1.0, 200000.0);
        /// Swing of the barometer to allow for where it is not measured well.
        baro_unknown_pa_per_h: number("Pa/h", 0.0, 1000.0);
        /// Zero error of the tank pressure sensor to allow for.
        pressure_zero_pa: number("Pa", 0.0, 1000.0);
        /// Noise of the tank pressure sensor, one standard deviation.
        pressure_noise_pa: number("Pa", 0.0, 500.0);
        /// Lag of the tank pressure sensor and its hose to allow for.
        pressure_lag_s: number("s", 0.0, 5.0);
        /// Error of a temperature probe to allow for.
        temperature_error_k: number("K", 0.0, 10.0);
        /// Error of the model on the effective flow area, either way.
        area_error_pct: number("%", 0.0, 50.0);
        /// Vapour in the headspace when it is sealed, lowest share of saturation.
        saturation_low: number("", 0.0, 1.0);
        /// Tank and fuel above the outside air when parked, lowest: where neither is measured.
        start_above_low_k: number("K", -20.0, 40.0);
        /// Tank and fuel above the outside air when parked, highest: where neither is measured.
        start_above_high_k: number("K", -20.0, 60.0);
        /// Fuel above a measured tank skin when parked, lowest: where the fuel is not measured.
        start_above_wall_low_k: number("K", -20.0, 40.0);
        /// Fuel above a measured tank skin when parked, highest: where the fuel is not measured.
        start_above_wall_high_k: number("K", -20.0, 40.0);
        /// Lag of the fuel behind a measured tank skin, shortest.
        wall_lag_low_s: number("s", 1.0, 100000.0);
        /// Lag of the fuel behind a measured tank skin, longest.
        wall_lag_high_s: number("s", 1.0, 100000.0);
        /// Time constant of drawn gas re-warming at the wall, shortest.
        rewarming_low_s: number("s", 0.5, 1000.0);
        /// Time constant of drawn gas re-warming at the wall, longest.
        rewarming_high_s: number("s", 0.5, 1000.0);
        /// Time constant of re-evaporation after a quick pull, shortest.
        reevaporation_low_s: number("s", 1.0, 10000.0);
        /// Time constant of re-evaporation after a quick pull, longest.
        reevaporation_high_s: number("s", 1.0, 10000.0);
        /// Steady rise by fuel that warms or splashes while the engine runs, highest.
        vapour_rise_pa_per_s: number("Pa/s", 0.0, 50.0);
        /// Steady fall by fuel that cools or charcoal that takes vapour while the engine runs, highest.
        vapour_fall_pa_per_s: number("Pa/s", 0.0, 50.0);
        /// Error of the model on a time or a fall of pressure, one standard deviation.
        time_error_pct: number("%", 0.0, 50.0);
        /// Seed of the ensemble.
        seed: number("", 0.0, 4294967295.0);
    }
    /// The vehicle's bus.
    bus Bus {
        /// Bit rate.
        bitrate: number("bit/s", 10000.0, 1000000.0);
        /// Share of the bus that this program may take with what it asks and what it is answered.
        most_load_pct: number("%", 0.1, 50.0);
        /// A controller may take this long to answer.
        answer_s: number("s", 0.01, 2.0);
        /// What adapter and computer may add to that before a question counts as unanswered.
        slack_s: number("s", 0.0, 5.0);
        /// Frames of a long answer that a controller sends at once; 0 for all.
        flow_block: number("", 0.0, 255.0);
        /// Pause between frames of a long answer.
        flow_pause_ms: number("ms", 0.0, 127.0);
        /// A controller that says it needs longer may take this long.
        pending_s: number("s", 0.5, 30.0);
        /// Traffic without an error for this long proves the bit rate; nothing is asked before.
        listen_s: number("s", 0.5, 60.0);
        /// Pause from key-off to silence, in which codes are read once more.
        key_off_pause_s: number("s", 0.0, 600.0);
        /// Where the key is not measured: an engine at rest for this long is asked for ever more seldom.
        stopped_s: number("s", 5.0, 3600.0);
        /// Where the key is not measured: an engine at rest for this much longer means key off.
        rest_most_s: number("s", 60.0, 36000.0);
        /// What answers nothing for this long is not asked any more until something wakes up.
        no_answer_s: number("s", 1.0, 600.0);
        /// Longest pause between two attempts at what does not answer.
        retry_most_s: number("s", 0.5, 120.0);
        /// A bus, or what one controller sends, that says nothing for this long has fallen silent.
        quiet_s: number("s", 0.5, 120.0);
        /// The controllers' own word is read again this long after engine start.
        after_start_s: number("s", 1.0, 3600.0);
        /// Battery below soak.battery_stop_v with the engine at rest for this long: no more asking.
        low_for_s: number("s", 0.0, 600.0);
        /// How PID 54 is to be read: two's complement, or less 32767 (an older edition).
        pid_54: word("signed", "offset");
    }
    /// A text-command adapter.
    adapter Adapter {
        /// The bus that it is to use; "search" lets it look for one, which it does by asking on each.
        bus: word("search", "can_11_500", "can_29_500", "can_11_250", "can_29_250", "j1850_pwm", "j1850_vpw",
                  "iso_9141_2", "iso_14230_slow", "iso_14230_fast");
        /// It may take this long over what it is asked, the search for a bus included.
        patience_s: number("s", 2.0, 120.0);
        /// The supply is read once in this time.
        volts_s: number("s", 1.0, 3600.0);
    }
    /// The capture on the disk.
    capture Capture {
        /// A raw file of this size is followed by the next one.
        file_mb: number("MB", 0.1, 100000.0);
        /// A raw file that began so long ago is followed by the next one.
        file_h: number("h", 0.1, 10000.0);
        /// With less room than this on the disk a warning is shown; 0: never.
        warn_below_mb: number("MB", 0.0, 1000000.0);
        /// Kept back on the disk, so that a full one still takes what says that it was full, and the end.
        reserve_kb: number("kB", 16.0, 100000.0);
        /// What a full disk means: records wait in memory, the newest are given up when that is full; or the run ends.
        when_full: word("wait", "end");
    }
    /// What spoils a test.
    spoilers Spoilers {
        /// Settled fuel level rising by this is a refuelling.
        refuel_step_pct: number("%", 0.5, 50.0);
        /// Temperature rising by this during a soak is a warming night.
        warming_k: number("K", 0.1, 20.0);
        /// Barometer moving by this during a soak is named.
        baro_swing_pa: number("Pa", 10.0, 5000.0);
        /// Supply at rest above this is a battery maintainer.
        maintainer_above_v: number("V", 8.0, 30.0);
        /// A vacuum falling to nothing within this time is an opened cap or a door slam.
        sudden_s: number("s", 0.1, 60.0);
    }
    /// A module on the tray: the rig, its transducer, the strokes, and the limits of the part.
    tray Tray {
        /// Volume sealed by the module: bottle, hoses and the port.
        volume_l: number("L", 0.02, 50.0);
        /// Half-width of the uncertainty of that volume (90 %).
        volume_spread_pct: number("%", 0.0, 50.0);
        /// Error of the transducer's gain, half-width (90 %), in percent of the reading.
        transducer_error_pct: number("%", 0.0, 20.0);
        /// Error of the transducer's zero that is left when it was seen open to the air, half-width (90 %).
        transducer_zero_pa: number("Pa", 0.0, 200.0);
        /// Noise of the transducer, one standard deviation.
        transducer_noise_pa: number("Pa", 0.0, 200.0);
        /// Smallest step of the transducer's reading.
        transducer_step_pa: number("Pa", 0.0, 100.0);
        /// Lag of the transducer and its hose, shortest.
        lag_low_s: number("s", 0.0, 2.0);
        /// Lag of the transducer and its hose, longest.
        lag_high_s: number("s", 0.0, 2.0);
        /// Pressure that changes faster than this is moved by the hand, or by a hole.
        moving_pa_per_s: number("Pa/s", 0.5, 200.0);
        /// A change smaller than this is no stroke.
        stroke_pa: number("Pa", 5.0, 500.0);
        /// The syringe is at rest when the pressure has stood, or only leaked, for this long.
        still_s: number("s", 0.2, 30.0);
        /// Pressure that goes to nothing within this time was released.
        release_s: number("s", 0.05, 10.0);
        /// Within this of the air's pressure the rig is at zero.
        zero_within_pa: number("Pa", 1.0, 200.0);
        /// The known hole and the sealed rig were read today, in another capture with this rig.
        rig_checked: word("no", "yes");
        /// The known hole of the positive control.
        reference_mm: number("mm", 0.1, 3.0);
        /// The known hole must read within this of its size.
        reference_spread_pct: number("%", 1.0, 50.0);
        /// The sealed rig must read less than a hole of this size.
        tight_mm: number("mm", 0.01, 1.0);
        /// A module that leaks like a hole of this size or more is not fit.
        hold_limit_mm: number("mm", 0.02, 3.0);
        /// Whether the sealed volume is known; if not, the known hole of the positive control tells it.
        volume_known: word("yes", "no");
        /// Error of the known hole's diameter, half-width (90 %).
        reference_error_pct: number("%", 0.1, 30.0);
        /// After the syringe has come to rest the hand may still move it for this long.
        at_rest_after_s: number("s", 0.0, 5.0);
        /// Time constant in which drawn gas takes its heat back from the bottle, shortest.
        settling_low_s: number("s", 0.05, 60.0);
        /// Time constant in which drawn gas takes its heat back from the bottle, longest.
        settling_high_s: number("s", 0.05, 120.0);
        /// Drift of a tight hold by changing temperature, half-width (90 %).
        drift_pa_per_s: number("Pa/s", 0.001, 20.0);
        /// Shortest hold that is judged, unless the vacuum is gone before.
        hold_s: number("s", 1.0, 600.0);
        /// Least vacuum at the begin of a hold.
        hold_least_pa: number("Pa", 50.0, 3000.0);
        /// Holds that must say the same.
        holds_needed: number("", 1.0, 20.0);
        /// Their sizes may differ by this share of the larger one, or of the limit if that is more.
        holds_agree_pct: number("%", 1.0, 100.0);
        /// A fit that leaves more than this many times the noise was no leak-down.
        misfit_most: number("", 1.0, 50.0);
        /// Openings of a relief that must agree.
        relief_openings_needed: number("", 2.0, 20.0);
        /// Strokes over the switch's point that are needed to judge it.
        strokes_needed: number("", 1.0, 50.0);
        /// The closing points of one module may spread by this, highest less lowest.
        repeats_within_pa: number("Pa", 1.0, 500.0);
        /// Re-opening must lie at least this far below closing, on the mean of the strokes.
        hysteresis_low_pa: number("Pa", 0.0, 500.0);
        /// The closing point may move by this from a slow to a quick stroke.
        drift_within_pa: number("Pa", 1.0, 500.0);
        /// The contact must come to rest this soon after an edge.
        bounce_within_s: number("s", 0.0005, 2.0);
    }
}
