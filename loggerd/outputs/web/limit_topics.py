"""Under which heading a limit stands on the page."""

from __future__ import annotations

TOPICS: tuple[tuple[str, str], ...] = (
    (
        "Charging",
        "absorption_volts_per_cell float_volts_per_cell temperature_slope reference_celsius gassing_volts_per_cell"
        " set_point_tolerance temperature_slope_low temperature_slope_high compensation_kelvin_least"
        " equalize_volts_per_cell equalize_spread_volts_per_cell equalize_days charge_celsius_high"
        " charge_celsius_resume celsius_no_charge low_volts_per_cell low_volts_margin deepest_draw_fraction"
        " high_volts_per_cell high_volts_margin",
    ),
    (
        "When a charge counts as full",
        "full_volts_per_cell full_tail_current_fraction full_tail_flat_per_hour full_tail_proven_fraction"
        " full_tail_likely_fraction full_flat_likely_per_hour full_volts_margin full_hold_minutes"
        " full_tail_small_fraction full_volts_flat_per_hour full_float_hours charge_least_fraction"
        " full_rest_state_least_fraction full_left_fraction full_block_behind_volts days_without_full"
        " days_until_sulfation",
    ),
    (
        "Charge factor: too little, too much",
        "charge_factor_low charge_factor_high undercharge_deficit_days overcharge_factor overcharge_per_day_fraction"
        " stratification_days",
    ),
    (
        "Rest voltage and what is lost at rest",
        "rest_volts_full rest_volts_75 rest_volts_50 rest_volts_25 rest_volts_flat rest_volts_per_kelvin"
        " rest_hours_settled rest_hours_fair rest_hours_least rest_leak_fraction rest_missing_days rest_volts_error"
        " self_discharge_per_day self_discharge_doubling_kelvin self_discharge_high_factor self_discharge_days_least"
        " parasitic_per_day_fraction parasitic_rise_fraction",
    ),
    (
        "Capacity",
        "end_volts_per_cell rating_celsius capacity_per_kelvin_slow capacity_per_kelvin_fast capacity_fast_hours"
        " capacity_celsius_low capacity_celsius_high peukert_exponent peukert_rate_ratio peukert_exponent_doubt"
        " capacity_low_fraction capacity_watch_fraction capacity_repeat_fraction capacity_depth_fraction"
        " capacity_stretch_fraction acid_reserve_band_fraction acid_reserve_span_fraction",
    ),
    (
        "Resistance, joints and blocks",
        "link_rise_fraction ohms_watch_fraction ohms_act_fraction ohms_per_kelvin block_spread_full_volts_per_cell"
        " shorted_cell_volts shorted_cell_minutes shorted_cell_rests block_agreeing_discharges block_rank_share"
        " block_weak_fraction block_loss_fraction block_depth_least block_lag_fraction"
        " block_low_at_full_volts_per_cell block_fall_per_day reversed_volts_per_cell string_share_fraction"
        " cell_ohm_amp_hours_low cell_ohm_amp_hours_high dry_ohms_rise_fraction dry_tail_factor dry_rest_volts_rise"
        " block_growth_doubt_volts block_capacity_doubt_fraction",
    ),
    (
        "Temperature and thermal runaway",
        "celsius_spread celsius_spread_days celsius_over_ambient runaway_rise runaway_window_hours runaway_kelvin"
        " runaway_fast_rise runaway_fast_minutes runaway_over_ambient runaway_margin_fraction float_current_factor"
        " float_heat_watts life_halving_kelvin ageing_rate_watch",
    ),
    (
        "Water and acid",
        "water_grams_per_amp_hour recombination water_reserve_grams_per_rated_amp_hour water_margin_fraction"
        " specific_gravity_spread specific_gravity_celsius freezing_celsius_discharged freezing_celsius_full"
        " freezing_celsius_75 freezing_celsius_50 freezing_celsius_25",
    ),
    (
        "Gas, ventilation and touch",
        "hydrogen_litres_per_amp_hour gas_milliamps_float gas_milliamps_boost ventilation_constant"
        " ventilation_opening_square_centimetres traction_ventilation_constant traction_gas_amps_limited"
        " traction_gas_amps_unlimited hydrogen_limit_percent hydrogen_explosive_percent safe_volts",
    ),
    (
        "Trends over months and years",
        "trend_months_least forecast_points_least trend_points_least trend_chance trend_capacity_per_year"
        " trend_ohms_per_year trend_acceptance_per_year trend_tail_per_year trend_rest_volts_per_year"
        " trend_spread_per_year season_capacity_per_kelvin season_capacity_doubt season_ohms_doubt"
        " season_acceptance_doubt season_tail_doubt season_rest_volts_doubt drift_allowance"
        " drift_weeks_per_false_alarm drift_baseline_weeks",
    ),
    (
        "Whether readings can be believed",
        "volts_gain_assumed_fraction amps_offset_assumed_fraction scale_ratio_high scale_ratio_low"
        " bypass_events_per_day zero_amps_fraction tap_sum_fraction tap_sum_volts tap_mirror_volts"
        " missing_fair_fraction missing_poor_fraction marked_fair_fraction marked_poor_fraction",
    ),
)
OTHERS = "Others"
"""For one that a later version brings and nobody has put anywhere."""
_TOPIC_OF = {name: topic for topic, names in TOPICS for name in names.split()}


def topic_of(name: str) -> str:
    return _TOPIC_OF.get(name, OTHERS)
