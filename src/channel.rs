//! The channels: what can be read of a vehicle or a module, each a name with its unit.

use std::fmt;

macro_rules! channels {
    ($($(#[doc = $doc:literal])* $variant:ident $name:literal $unit:literal $low:literal $high:literal;)*) => {
        /// A channel of the record. The names are fixed: they head CSV columns, profiles, adapter lines and JSON.
        #[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
        #[repr(u8)]
        pub enum Channel { $($(#[doc = $doc])* $variant,)* }

        impl Channel {
            /// All channels, in the order of their numbers.
            pub const ALL: &'static [Channel] = &[$(Channel::$variant,)*];

            /// The fixed name, with its unit.
            pub fn name(self) -> &'static str {
                match self { $(Channel::$variant => $name,)* }
            }

            /// The unit as it is printed, empty for a state.
            pub fn unit(self) -> &'static str {
                match self { $(Channel::$variant => $unit,)* }
            }

            /// The range outside which a value cannot be a reading (a broken sensor or a wrong scaling).
            pub fn plausible(self) -> (f64, f64) {
                match self { $(Channel::$variant => ($low, $high),)* }
            }
        }
    };
}

channels! {
    /// Ignition key: 1 = on.
    Key "key" "" 0.0 1.0;
    /// Engine speed.
    EngineRpm "engine_rpm" "rpm" 0.0 20000.0;
    /// Road speed.
    VehicleSpeedKph "vehicle_speed_kph" "km/h" 0.0 400.0;
    /// Engine coolant.
    CoolantC "coolant_c" "°C" -60.0 215.0;
    /// Intake air.
    IntakeAirC "intake_air_c" "°C" -60.0 215.0;
    /// Outside air.
    AmbientC "ambient_c" "°C" -60.0 100.0;
    /// Fuel in the tank.
    FuelTempC "fuel_temp_c" "°C" -60.0 120.0;
    /// Fuel level, of the nominal tank.
    FuelLevelPct "fuel_level_pct" "%" 0.0 120.0;
    /// Barometer.
    BaroKpa "baro_kpa" "kPa" 40.0 115.0;
    /// Intake manifold, absolute.
    ManifoldKpa "manifold_kpa" "kPa" 0.0 400.0;
    /// Battery or controller supply.
    BatteryV "battery_v" "V" 0.0 36.0;
    /// Purge valve duty.
    PurgeDutyPct "purge_duty_pct" "%" 0.0 100.0;
    /// Vent solenoid: 1 = energised; what that does is the profile's `vent.energised`.
    VentSolenoid "vent_solenoid" "" 0.0 1.0;
    /// Leak switch: 1 = closed. Never sampled while the sense line has no bias.
    LeakSwitch "leak_switch" "" 0.0 1.0;
    /// Voltage of the switch's sense line.
    SwitchSenseV "switch_sense_v" "V" -5.0 36.0;
    /// Vent solenoid current, mean.
    SolenoidA "solenoid_a" "A" -1.0 20.0;
    /// Vent solenoid current, peak since the last row.
    SolenoidPeakA "solenoid_peak_a" "A" -1.0 50.0;
    /// Module ground against battery negative.
    GroundV "ground_v" "V" -5.0 36.0;
    /// Skin of the fuel tank.
    TankSkinC "tank_skin_c" "°C" -60.0 120.0;
    /// Short-term fuel trim.
    FuelTrimShortPct "fuel_trim_short_pct" "%" -100.0 100.0;
    /// Long-term fuel trim.
    FuelTrimLongPct "fuel_trim_long_pct" "%" -100.0 100.0;
    /// Tank pressure, gauge: negative is vacuum.
    TankPressurePa "tank_pressure_pa" "Pa" -20000.0 20000.0;
    /// Share of the time since the last row in which the vent solenoid drew current.
    SolenoidDutyPct "solenoid_duty_pct" "%" 0.0 100.0;
}

impl Channel {
    /// How many channels there are.
    pub const COUNT: usize = Channel::ALL.len();

    /// By its fixed name.
    pub fn from_name(name: &str) -> Option<Channel> {
        Channel::ALL.iter().copied().find(|c| c.name() == name)
    }

    /// In words, at most 16 columns.
    pub fn words(self) -> &'static str {
        match self {
            Channel::Key => "key",
            Channel::EngineRpm => "engine speed",
            Channel::VehicleSpeedKph => "road speed",
            Channel::CoolantC => "coolant",
            Channel::IntakeAirC => "intake air",
            Channel::AmbientC => "outside air",
            Channel::FuelTempC => "fuel",
            Channel::FuelLevelPct => "fuel level",
            Channel::BaroKpa => "barometer",
            Channel::ManifoldKpa => "manifold",
            Channel::BatteryV => "battery",
            Channel::PurgeDutyPct => "purge duty",
            Channel::VentSolenoid => "vent solenoid",
            Channel::LeakSwitch => "leak switch",
            Channel::SwitchSenseV => "sense line",
            Channel::SolenoidA => "solenoid",
            Channel::SolenoidPeakA => "solenoid peak",
            Channel::SolenoidDutyPct => "solenoid duty",
            Channel::GroundV => "module ground",
            Channel::TankSkinC => "tank skin",
            Channel::FuelTrimShortPct => "fuel trim, short",
            Channel::FuelTrimLongPct => "fuel trim, long",
            Channel::TankPressurePa => "tank pressure",
        }
    }

    /// A channel that is a state (0 or 1), not a quantity.
    pub fn is_state(self) -> bool {
        matches!(self, Channel::Key | Channel::VentSolenoid | Channel::LeakSwitch)
    }
}

impl fmt::Display for Channel {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.name())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_find_their_channel_and_fit_a_mask() {
        for c in Channel::ALL {
            assert_eq!(Channel::from_name(c.name()), Some(*c));
        }
        const { assert!(Channel::COUNT <= 32, "Reading keeps a 32-bit mask") };
    }
}
