"""The seventy faults of a night without people, and where each is tested, or why it cannot be.

The numbers are those that docstrings of tests and of the program name ("fault 19"). tests/test_fault_catalogue.py
holds that each has a row, that every test named here exists, and that every test that names a number is in its row.
"""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Fault:
    """One row: the fault in our own words, tests as "test_file::test_name", and what no test here can show.

    `rest` says why something, or all, is not tested: what hardware it needs, or "avoided: …".
    """

    title: str
    tests: tuple[str, ...] = ()
    rest: str = ""


CATALOGUE: dict[int, Fault] = {
    # Lines to the instruments.
    1: Fault(
        "an answer that comes after its time-out is taken for the next one",
        (
            "test_line_tcp::test_silence_closes_the_way_for_the_late_reply",
            "test_line_serial::test_silence_and_a_late_reply",
            "test_instrument::test_after_silence_the_line_is_opened_again_and_the_identity_compared",
            "test_bay_faults::test_one_late_answer_costs_one_reading_and_is_never_taken_for_the_next",
            "test_wires::test_every_fault_gives_the_value_or_silence_or_a_dead_line",
            "test_wires_whole_run::test_a_wire_disturbed_once_costs_a_reading_and_nothing_else",
        ),
    ),
    2: Fault(
        "half an answer is a plausible number",
        (
            "test_line_tcp::test_a_reply_in_pieces_is_one_reply",
            "test_reply::test_a_reply_with_another_count_is_refused",
            "test_reply::test_what_is_no_number_is_refused",
            "test_guardian::test_half_an_answer_is_none",
            "test_instrument::test_a_flapping_line_gives_right_values_or_errors_but_never_wrong_values",
            "test_wires::test_every_fault_gives_the_value_or_silence_or_a_dead_line",
            "test_wires_whole_run::test_a_wire_disturbed_once_costs_a_reading_and_nothing_else",
        ),
    ),
    3: Fault(
        "two callers, or one that was cancelled, on one line",
        (
            "test_instrument::test_cancelled_callers_and_many_tasks_never_get_anothers_reply",
            "test_instrument::test_off_goes_before_all_that_waits_and_drops_waiting_writes",
            "test_line_tcp::test_a_cancelled_exchange_poisons_the_line",
            "test_line_serial::test_cancelled_half_way",
        ),
    ),
    4: Fault(
        "a connection that seems open although nobody listens",
        (
            "test_line_tcp::test_nobody_listens",
            "test_line_tcp::test_a_full_backlog_is_no_connection",
            "test_line_visa::test_no_such_resource",
            "test_instrument::test_nothing_is_told_before_the_identity_is_known",
            "test_bay_faults::test_a_refused_connection_is_named",
            "test_bay_faults::test_an_instrument_that_is_absent_at_the_start_is_named_and_nothing_goes_on",
            "test_wires::test_every_fault_gives_the_value_or_silence_or_a_dead_line",
            "test_wires_whole_run::test_a_load_that_cannot_be_reached_is_off_as_soon_as_anything_reaches_it",
            "test_wires_apart::test_a_dead_link_is_known_in_seconds",
        ),
    ),
    5: Fault(
        "the other end hangs up and looks like a slow instrument",
        (
            "test_line_tcp::test_the_end_of_the_line_is_known_at_once",
            "test_line_tcp::test_a_write_to_an_ended_line_fails",
            "test_bay_faults::test_one_cut_connection_costs_one_reading_and_the_run_goes_on",
            "test_bay_faults::test_a_line_that_is_cut_over_and_over_trips",
            "test_wires::test_every_fault_gives_the_value_or_silence_or_a_dead_line",
            "test_wires_whole_run::test_a_load_that_cannot_be_reached_is_off_as_soon_as_anything_reaches_it",
            "test_wires_whole_run::test_a_wire_disturbed_once_costs_a_reading_and_nothing_else",
        ),
    ),
    6: Fault(
        "a device clear that never comes back",
        (
            "test_never_called::test_a_line_is_never_cleared_or_flushed_but_closed",
            "test_line_visa::test_a_call_that_never_returns_is_abandoned",
            "test_wires::test_every_fault_gives_the_value_or_silence_or_a_dead_line",
        ),
    ),
    7: Fault(
        "a link that is dead and tells nobody",
        (
            "test_line_tcp::test_the_socket_gives_up_within_seconds",
            "test_bay_faults::test_a_deaf_load_cannot_be_switched_off_and_the_guardian_stays_armed",
            "test_bay_faults::test_a_load_that_hears_again_is_switched_off_within_two_seconds_of_the_trip",
            "test_wires::test_every_fault_gives_the_value_or_silence_or_a_dead_line",
            "test_wires_whole_run::test_a_load_that_cannot_be_reached_is_off_as_soon_as_anything_reaches_it",
            "test_wires_apart::test_a_dead_link_is_known_in_seconds",
        ),
        "the outage with its carrier up is made between two network namespaces, which takes the right to make them",
    ),
    8: Fault(
        "a command to switch on that arrives after the one to switch off",
        (
            "test_guardian::test_off_is_asserted_again_and_again",
            "test_instrument::test_a_write_without_answer_is_not_repeated",
            "test_line_tcp::test_the_socket_gives_up_within_seconds",
            "test_wires::test_a_ghost_that_arrives_after_off_is_switched_off_again",
            "test_wires_apart::test_a_ghost_does_not_arrive_or_is_switched_off",
        ),
        "what lies in the kernel meanwhile is made between two network namespaces, which takes the right to make them",
    ),
    9: Fault(
        "every answer of an outage at once when the link is back",
        (
            "test_line_tcp::test_a_word_out_of_turn_kills_the_line_before_the_next_question_is_sent",
            "test_line_tcp::test_silence_closes_the_way_for_the_late_reply",
            "test_bay_faults::test_answers_that_are_always_late_are_no_answers",
            "test_wires::test_every_fault_gives_the_value_or_silence_or_a_dead_line",
            "test_wires::test_a_late_burst_after_an_outage_is_taken_by_nobody",
        ),
    ),
    10: Fault(
        "a call that blocks beyond its time-out",
        (
            "test_line_tcp::test_a_peer_that_never_reads_does_not_hold_the_caller",
            "test_line_visa::test_a_call_that_never_returns_is_abandoned",
            "test_bench::test_a_mistake_is_named_with_its_table_and_key",
            "test_wires::test_a_wire_that_takes_nothing_holds_nobody",
            "test_wires::test_the_raw_wire_is_not_held_either",
        ),
    ),
    11: Fault(
        "the wall clock is set while somebody waits",
        (
            "test_crash::test_a_wall_clock_that_was_set_is_an_event_and_ends_nothing",
            "test_crash::test_a_step_and_a_sleep_are_told_apart",
            "test_wires::test_a_clock_step_in_the_middle_of_a_reading_holds_nobody",
        ),
    ),
    12: Fault(
        "every library has its own words for a dead link",
        (
            "test_nth_fault::test_whatever_exchange_fails_the_bay_ends_off_and_says_why",
            "test_line_visa::test_silence_text_that_is_none_and_the_end",
            "test_line_serial::test_unplugged_while_waiting_and_while_idle",
            "test_cut_short::test_whichever_task_dies_the_bay_goes_off",
            "test_wires::test_every_fault_gives_the_value_or_silence_or_a_dead_line",
            "test_wires_serial::test_the_raw_wire_survives_a_port_that_is_pulled",
        ),
    ),
    13: Fault(
        "line ends, echoes and bytes that are no text",
        (
            "test_instrument::test_an_echo_is_no_identity",
            "test_instrument::test_two_different_answers_to_idn_are_no_identity",
            "test_line_tcp::test_replies_that_are_no_text",
            "test_line_tcp::test_two_lines_to_one_question_are_refused",
            "test_line_serial::test_a_carriage_return_may_end_the_lines",
            "test_line_visa::test_visa_and_our_own_socket_read_the_same",
        ),
    ),
    14: Fault(
        "a little is lost at every new connection",
        (
            "test_bay_faults::test_a_line_that_is_cut_over_and_over_trips",
            "test_wires::test_a_flapping_wire_leaks_nothing_and_gives_no_wrong_value",
            "test_wires::test_a_descriptor_beyond_1024_is_as_good_as_any",
            "test_self_watch::test_a_leak_is_said_when_something_has_doubled",
        ),
    ),
    15: Fault(
        "an instrument that serves one client, and that client has frozen",
        (
            "test_serve::test_a_single_session_serves_the_next_when_the_first_has_gone",
            "test_guardian::test_the_guardian_takes_over",
            "test_skeleton::test_a_worker_that_dies_or_freezes_leaves_the_load_off",
            "test_wires::test_every_fault_gives_the_value_or_silence_or_a_dead_line",
            "test_wires::test_a_frozen_worker_that_holds_the_only_session_is_killed_before_off_is_sent",
        ),
    ),
    16: Fault(
        "sessions and locks that stay in an instrument",
        (
            "test_guardian::test_an_address_that_it_cannot_reach_is_said",
            "test_main::test_a_load_that_the_guardian_cannot_reach_is_shown",
            "test_line_visa::test_what_opens_too_late_is_closed_again",
            "test_wires::test_a_flapping_wire_leaks_nothing_and_gives_no_wrong_value",
        ),
        "avoided: loads and supplies are driven over raw sockets and serial ports only, which have none",
    ),
    17: Fault(
        "USB test and measurement class that stays dead after one time-out",
        ("test_main::test_a_load_that_the_guardian_cannot_reach_is_shown",),
        "needs hardware; nothing that is switched off hangs on it, since the guardian does not reach it",
    ),
    18: Fault(
        "a search for instruments disturbs everybody",
        (
            "test_never_called::test_nobody_looks_for_instruments_by_himself",
            "test_wires::test_closing_one_visa_line_leaves_the_others",
        ),
    ),
    # Instruments that do not do as they are told.
    19: Fault(
        "a meter that stands still",
        (
            "test_supervised_bay::test_a_load_that_answers_the_same_digits_for_ever",
            "test_supervised_bay::test_a_load_that_stands_still_in_a_bay_without_a_meter_for_groups",
            "test_supervised_bay::test_a_scanner_that_answers_the_same_digits_for_ever",
            "test_path_to_pack::test_a_voltmeter_that_stands_still_is_found_by_the_load",
            "test_supervision::test_a_meter_that_stands_still_while_charge_flows_trips",
            "test_supervision::test_a_meter_that_stands_still_while_the_groups_fall_trips",
            "test_supervision::test_a_scanner_that_stands_still_while_the_pack_moves_trips",
            "test_supervision::test_honest_constants_never_trip",
            "test_bay_faults::test_an_instrument_without_a_value_trips_when_its_blind_time_is_over",
        ),
    ),
    20: Fault(
        "an instrument loses its mains for a moment and comes back as new",
        (
            "test_supervised_bay::test_a_supply_that_lost_its_mains_for_a_moment",
            "test_supervised_bay::test_a_load_that_lost_its_mains_draws_nothing",
            "test_supervised_bay::test_after_a_new_connection_the_settings_are_read_back_at_once",
            "test_slow_instruments::test_what_somebody_changes_at_a_slow_instrument_is_found_all_the_same",
            "test_settings_kept::test_a_protection_that_somebody_changed_is_read_back",
            "test_roles::test_protections_are_confirmed_as_they_were_programmed_last",
            "test_roles::test_a_line_that_was_opened_again_is_counted",
        ),
    ),
    21: Fault(
        "somebody at the front panel",
        (
            "test_supervised_bay::test_another_set_point_trips_as_soon_as_the_current_has_shown_it",
            "test_supervised_bay::test_a_change_too_small_to_be_measured_is_read_back",
            "test_supervised_bay::test_a_supply_that_is_switched_on_by_hand_while_the_load_draws",
            "test_supervised_bay::test_a_load_that_is_switched_on_by_hand_at_rest",
            "test_supervised_bay::test_settings_of_both_loads_in_parallel_are_read_back",
            "test_slow_instruments::test_what_somebody_changes_at_a_slow_instrument_is_found_all_the_same",
            "test_settings_kept::test_a_protection_that_somebody_changed_is_read_back",
            "test_settings_kept::test_a_supply_s_protection_is_read_back_too",
            "test_settings_kept::test_the_front_panel_is_locked_while_a_run_goes_on_and_free_afterwards",
            "test_settings_kept::test_a_load_that_was_on_by_hand_and_back_off_between_two_looks_is_seen_by_its_current",
            "test_roles::test_protections_are_confirmed_as_they_were_programmed_last",
            "test_supervision::test_what_is_measured_is_what_was_set",
            "test_hands::test_nothing_goes_on_against_what_somebody_switched_on_at_the_front_panel",
        ),
    ),
    22: Fault(
        "a command that was refused, clipped or lost",
        (
            "test_bay_faults::test_a_refused_set_point_switches_nothing_on",
            "test_bay_faults::test_a_refused_set_point_in_a_running_charge_switches_off",
            "test_settings_kept::test_a_clipped_set_point_switches_nothing_on",
            "test_settings_kept::test_a_clipped_protection_switches_nothing_on",
            "test_settings_kept::test_a_command_that_is_taken_without_effect_draws_nothing",
            "test_settings_kept::test_errors_of_the_instruments_are_told_each_minute_and_end_nothing",
            "test_settings_kept::test_an_error_queue_that_never_ends_holds_nobody",
            "test_roles::test_silent_clipping_is_found",
            "test_instrument::test_errors_from_before_are_drained_at_opening",
        ),
    ),
    23: Fault(
        "readings that come later and later",
        (
            "test_cut_short::test_readings_that_come_later_and_later_trip_before_they_are_old",
            "test_cut_short::test_beats_that_come_late_are_counted_said_once_a_minute_and_never_made_up_for",
            "test_eyes::test_fresh_is_not_stale_and_not_from_before_a_switch",
            "test_eyes::test_a_slow_thermometer_delays_no_voltage",
            "test_wires_whole_run::test_a_load_that_cannot_be_reached_is_off_as_soon_as_anything_reaches_it",
        ),
    ),
    # Serial ports and USB.
    24: Fault(
        "the adapter is pulled out",
        (
            "test_line_serial::test_unplugged_while_waiting_and_while_idle",
            "test_serve::test_a_pseudo_terminal_can_be_unplugged",
            "test_wires_serial::test_pulled_and_plugged_in_again_under_its_name",
            "test_wires_serial::test_the_raw_wire_survives_a_port_that_is_pulled",
        ),
    ),
    25: Fault(
        "another instrument behind the right name",
        (
            "test_instrument::test_another_instrument_behind_the_same_address_is_never_spoken_to_again",
            "test_bay_faults::test_another_instrument_at_the_address_trips_at_once",
            "test_guardian::test_anybody_else_is_refused_by_name",
            "test_wires_serial::test_another_box_behind_the_name_gets_no_order",
            "test_wires::test_another_box_at_the_address_after_an_outage_gets_no_order",
        ),
    ),
    26: Fault(
        "one port opened twice",
        (
            "test_line_serial::test_the_port_is_ours_alone",
            "test_wires_serial::test_another_process_cannot_open_the_port",
        ),
    ),
    27: Fault(
        "a serial port that takes nothing",
        (
            "test_line_serial::test_a_port_that_takes_nothing_is_not_waited_for",
            "test_wires_serial::test_a_long_reply_is_read_in_blocks",
        ),
    ),
    28: Fault(
        "the whole USB bus goes away together",
        (
            "test_settings_kept::test_when_every_line_is_dead_at_once_the_load_s_own_protection_ends_the_draw",
            "test_settings_kept::test_lines_that_come_back_together_switch_off_and_nothing_on",
            "test_settings_kept::test_a_blink_of_all_lines_costs_a_reading_each_and_the_run_goes_on",
            "test_bay_faults::test_a_burst_that_nobody_sees_is_ended_by_the_load_s_own_timer",
            "test_wires_serial::test_load_and_cells_gone_together",
        ),
        "needs hardware for the bus itself",
    ),
    # This program, its host and its clocks.
    29: Fault(
        "a call that waits inside the event loop",
        (
            "test_cut_short::test_nothing_waits_for_a_disk_or_a_process_in_the_loop_while_a_run_goes_on",
            "test_cut_short::test_what_waits_in_the_loop_would_be_seen",
            "test_alive::test_no_sign_from_the_bench_is_silence",
            "test_guardian::test_the_guardian_takes_over",
            "test_skeleton::test_a_worker_that_dies_or_freezes_leaves_the_load_off",
        ),
    ),
    30: Fault(
        "every thread is stuck when off must go out, and the process cannot end",
        (
            "test_cut_short::test_off_goes_out_while_every_thread_of_the_pool_is_stuck",
            "test_never_called::test_instruments_and_safety_never_wait_for_the_shared_pool_of_threads",
            "test_line_visa::test_a_call_that_never_returns_is_abandoned",
            "test_guardian::test_a_worker_that_does_not_stop_is_killed",
        ),
    ),
    31: Fault(
        "one task dies and the rest goes on as if nothing were",
        (
            "test_cut_short::test_whichever_task_dies_the_bay_goes_off",
            "test_cut_short::test_a_driver_that_fails_for_good_keeps_no_other_output_on",
            "test_cut_short::test_a_writer_that_dies_ends_the_run",
            "test_bay_faults::test_a_fault_of_this_program_still_switches_off",
            "test_bay_faults::test_an_instrument_without_a_value_trips_when_its_blind_time_is_over",
            "test_service_faults::test_a_fault_of_the_program_in_one_bay_trips_that_bay",
        ),
    ),
    32: Fault(
        "asked to stop again while it stops",
        (
            "test_cut_short::test_being_asked_again_and_again_while_stopping_changes_nothing",
            "test_cut_short::test_being_asked_every_50_ms_while_off_is_slow",
            "test_guardian::test_a_signal_asks_the_worker_to_stop",
        ),
    ),
    33: Fault(
        "killed without a word",
        (
            "test_kill_anytime::test_a_kill_loses_no_written_row_and_leaves_the_load_off",
            "test_skeleton::test_a_worker_that_dies_or_freezes_leaves_the_load_off",
            "test_guardian::test_the_guardian_takes_over",
            "test_inhibit::test_the_lock_ends_with_whoever_held_it",
            "test_install::test_the_unit_of_the_system",
            "test_alarms::test_a_frozen_worker_is_told_by_the_guardian",
        ),
    ),
    34: Fault(
        "alive but not at work, and a heartbeat that lies",
        (
            "test_cut_short::test_no_valid_sample_no_sign_of_life",
            "test_alive::test_no_sign_from_the_bench_is_silence",
            "test_skeleton::test_a_worker_that_dies_or_freezes_leaves_the_load_off",
            "test_bay_faults::test_a_judged_reading_is_heard_at_least_each_second_while_an_output_is_on",
            "test_guardian::test_the_guardian_takes_over",
            "test_guardian::test_the_layers_speak_in_their_order",
            "test_install::test_the_unit_of_the_system",
            "test_install::test_the_numbers_stand_in_their_order",
            "test_frozen_service::test_an_idle_service_that_freezes_is_ended_and_people_are_told",
            "test_alarms::test_a_frozen_worker_is_told_by_the_guardian",
        ),
    ),
    35: Fault(
        "the guardian is dead, blind, or looks at the wrong instrument",
        (
            "test_cut_short::test_a_guardian_that_refuses_keeps_everything_off",
            "test_guardian::test_the_instrument_of_the_plan_is_known_by_maker_model_and_serial",
            "test_guardian::test_anybody_else_is_refused_by_name",
            "test_guardian::test_who_does_not_answer_is_refused",
            "test_guardian::test_a_bay_with_a_stranger_in_it_is_not_armed",
            "test_guardian_link::test_without_the_guardian_s_word_nothing_goes_on",
            "test_guardian_link::test_a_guardian_that_says_nothing_is_gone",
            "test_guardian_link::test_a_guardian_that_falls_silent_is_noticed",
            "test_guardian_link::test_a_guardian_that_does_not_read_is_noticed_too",
            "test_bay_faults::test_a_guardian_that_hangs_up_ends_the_run",
            "test_contactor::test_a_contactor_that_opens_in_a_run_trips_the_bay",
            "test_contactor::test_silence_opens_it_and_a_word_does_at_once",
            "test_contactor::test_a_frozen_guardian_opens_it",
            "test_alarms::test_a_frozen_worker_is_told_by_the_guardian",
            "test_drilled::test_a_drill_of_a_bench_without_the_simulated_line_with_real_processes",
            "test_wrong_off::test_a_worker_that_cannot_switch_off_is_taken_over",
            "test_files_gone::test_the_guardian_needs_no_file_of_the_worker",
        ),
    ),
    36: Fault(
        "the terminal is closed, held or gone",
        (
            "test_never_called::test_what_acts_neither_prints_nor_asks",
            "test_progress::test_a_terminal_that_takes_nothing_holds_nobody_up",
            "test_progress::test_a_closed_terminal_ends_the_thread_only",
            "test_guardian::test_a_closed_standard_error_stops_nothing",
            "test_guardian::test_a_signal_asks_the_worker_to_stop",
            "test_operator_desk::test_a_terminal_that_goes_away_leaves_the_question_open",
            "test_off::test_a_reader_that_has_gone_keeps_nothing_on",
            "test_reporting::test_a_reader_that_has_gone_gives_no_traceback",
        ),
    ),
    37: Fault(
        "two programs hold the same bench",
        (
            "test_state_folder::test_one_service_and_its_worker_keep_the_others_out",
            "test_line_serial::test_the_port_is_ours_alone",
            "test_bay_faults::test_a_load_that_is_already_on_is_switched_off_before_anything_else",
            "test_serve_processes::test_add_start_status_stop_and_the_end",
        ),
        "two hosts: not made here; each sees the other as somebody at the front panel (21)",
    ),
    38: Fault(
        "started again and again, and going on by itself",
        (
            "test_service_faults::test_a_restart_is_idle_and_says_what_was_interrupted",
            "test_service_faults::test_a_bay_that_is_not_off_at_the_start_is_tripped_and_starts_nothing",
            "test_waiting_list::test_after_a_restart_nothing_goes_on_and_what_ran_was_interrupted",
            "test_waiting_list::test_whatever_happens_only_a_person_lets_a_list_go_on",
            "test_install::test_the_unit_of_the_system",
        ),
    ),
    39: Fault(
        "the host shuts down",
        (
            "test_cut_short::test_a_stop_at_any_moment_of_a_run_leaves_everything_off",
            "test_skeleton::test_ctrl_c_stops_safely",
            "test_skeleton::test_off_needs_no_run",
            "test_install::test_the_unit_of_the_system",
            "test_install::test_systemd_understands_it",
            "test_serve_processes::test_add_start_status_stop_and_the_end",
        ),
        "a real shutdown under systemd is not made here",
    ),
    40: Fault(
        "the host sleeps while the load draws",
        (
            "test_crash::test_a_machine_that_slept_switches_off_first_and_says_so",
            "test_crash::test_a_step_and_a_sleep_are_told_apart",
            "test_inhibit::test_the_lock_is_held_once_for_all_bays",
            "test_inhibit::test_a_refused_lock_is_said_with_its_reason",
            "test_inhibit::test_mains_or_battery",
        ),
        "a real sleep needs a machine of its own",
    ),
    41: Fault(
        "mains come back, and with them the last state",
        (
            "test_settings_kept::test_an_output_that_would_come_back_as_it_was_stays_off_when_mains_return",
            "test_settings_kept::test_a_load_that_keeps_its_last_state_never_goes_on",
            "test_settings_kept::test_both_processes_gone_and_mains_back_leaves_the_load_off",
            "test_devices::test_power_on_state_decides_what_a_mains_dip_leaves",
            "test_service_faults::test_a_bay_that_is_not_off_at_the_start_is_tripped_and_starts_nothing",
            "test_folder::test_a_file_cut_at_every_byte_keeps_its_whole_rows",
        ),
    ),
    # Data.
    42: Fault(
        "the disk is full",
        (
            "test_bay_faults::test_a_full_disk_trips_and_what_was_written_stays",
            "test_crash::test_a_failed_write_goes_on_in_the_reserve_and_says_why",
            "test_crash::test_a_reserve_that_is_full_says_so_and_keeps_what_it_has",
            "test_crash::test_room_is_asked_for_each_minute_and_said_once",
            "test_crash::test_a_disk_without_room_refuses_the_run_before_it_begins",
            "test_crash::test_a_file_that_may_not_grow_leaves_whole_lines_and_the_reason",
            "test_crash::test_a_disk_that_runs_full_leaves_whole_lines_and_the_reason",
            "test_writer::test_a_full_disk_is_a_failure_that_says_so",
            "test_folder::test_what_stands_in_the_reserve_is_read_as_a_further_segment",
            "test_space::test_room_is_enough_or_refused_in_words",
        ),
    ),
    43: Fault(
        "rows lost or torn when the program is killed",
        (
            "test_crash::test_kills_lose_no_acknowledged_row",
            "test_writer::test_no_acknowledged_row_is_lost_to_a_kill",
            "test_kill_anytime::test_a_kill_loses_no_written_row_and_leaves_the_load_off",
            "test_folder::test_a_file_cut_at_every_byte_keeps_its_whole_rows",
            "test_folder::test_events_cut_at_every_byte_keep_whole_events",
            "test_folder::test_segments_join_and_gaps_are_named",
        ),
    ),
    44: Fault(
        "a sync fails once and then pretends",
        (
            "test_crash::test_a_file_whose_sync_failed_is_never_synced_again",
            "test_crash::test_events_whose_sync_failed_stand_in_a_next_file",
            "test_crash::test_a_failed_sync_ends_the_run_off_and_no_row_is_lost",
            "test_folder::test_a_next_segment_repeats_what_the_one_before_was_not_sure_of",
        ),
    ),
    45: Fault(
        "a state file half written",
        (
            "test_folder::test_json_is_replaced_whole_or_not_at_all",
            "test_list_file::test_what_is_no_list_is_named",
            "test_service_faults::test_a_list_that_cannot_be_read_is_put_aside_and_not_guessed",
            "test_service_faults::test_a_disk_that_cannot_keep_the_list_changes_nothing",
        ),
    ),
    46: Fault(
        "the file goes away under the program, or the disk is slow",
        (
            "test_crash::test_a_file_that_goes_away_is_gone_on_with_in_a_new_one",
            "test_crash::test_a_reserve_that_was_deleted_is_made_again",
            "test_crash::test_a_folder_that_was_deleted_ends_the_run",
            "test_writer::test_a_slow_disk_is_seen_by_the_age_of_the_oldest_line",
            "test_writer::test_putting_never_waits_for_the_disk",
            "test_writer::test_a_disk_that_takes_nothing_does_not_keep_the_worker",
        ),
    ),
    47: Fault(
        "what a database loses",
        rest="avoided: the record is CSV and lines of JSON, and there is no database",
    ),
    48: Fault(
        "gaps and double counting after a second start",
        (
            "test_continue_run::test_where_a_run_goes_on",
            "test_continue_run::test_a_discharge_that_was_cut_is_done_again_from_full",
            "test_continue_run::test_storing_by_counted_charge_is_refused_over_a_gap",
            "test_continue_run::test_a_killed_run_is_sealed_by_the_next_start_and_gone_on_with",
            "test_writer::test_files_that_exist_are_never_overwritten",
            "test_folder::test_a_folder_is_never_used_twice",
            "test_folder::test_segments_join_and_gaps_are_named",
            "test_ledger::test_a_gap_is_not_integrated_but_counted_as_unmeasured",
            "test_whole_chain::test_the_sign_of_the_current_and_the_worlds_own_count",
        ),
    ),
    49: Fault(
        "what is no number passes every limit",
        (
            "test_bay_faults::test_an_instrument_without_a_value_trips_when_its_blind_time_is_over",
            "test_path_to_pack::test_one_channel_that_gives_no_number_is_a_missing_group",
            "test_heat::test_an_open_or_shorted_probe_is_a_missing_one",
            "test_thermometers::test_a_probe_that_breaks_in_a_run_is_a_missing_one",
            "test_reply::test_special_numbers_are_no_value",
            "test_safety::test_an_overload_value_is_never_fine",
            "test_safety::test_no_number_is_not_off",
            "test_preflight::test_nan_is_outside_every_range",
            "test_writer::test_what_is_no_number_never_reaches_the_events",
            "test_columns::test_no_text_of_nan_or_inf_is_written",
        ),
    ),
    # Messages to the outside.
    50: Fault(
        "the broker is absent or starts anew",
        (
            "test_mqtt_publisher::test_a_broker_that_comes_late_and_is_killed_misses_no_event",
            "test_mqtt_queue::test_back_off_grows_from_one_second_to_thirty",
            "test_mqtt_queue::test_back_off_begins_anew_only_after_a_connection_that_lived",
        ),
    ),
    51: Fault(
        "the broker is frozen",
        (
            "test_mqtt_publisher::test_a_frozen_broker_delays_no_sample_and_loses_no_event",
            "test_feed::test_a_frozen_reader_holds_nobody_up_and_keeps_nothing_without_end",
        ),
    ),
    52: Fault(
        "messages lost and doubled",
        (
            "test_mqtt_publisher::test_a_broker_that_comes_late_and_is_killed_misses_no_event",
            "test_mqtt_queue::test_events_go_out_in_order_and_gaps_come_from_the_record",
            "test_mqtt_queue::test_the_oldest_live_sample_makes_room_and_is_counted",
        ),
    ),
    53: Fault(
        "a last will that is late or wrong",
        ("test_mqtt_whole_run::test_of_a_front_that_is_killed_the_broker_says_offline_and_the_next_one_tells_all",),
    ),
    54: Fault(
        "a kept message that is no longer true",
        (
            "test_mqtt_publisher::test_a_run_from_its_first_event_to_its_result",
            "test_mqtt_whole_run::test_of_a_front_that_is_killed_the_broker_says_offline_and_the_next_one_tells_all",
        ),
    ),
    55: Fault(
        "a command that arrives hours late",
        (
            "test_control::test_a_list_starts_only_when_a_person_has_said_yes",
            "test_waiting_list::test_start_is_refused_where_it_must_not_be",
        ),
    ),
    56: Fault(
        "one client name twice, and a reader that is too slow",
        (
            "test_mqtt_publisher::test_two_processes_never_have_one_name",
            "test_mqtt_stop::test_only_a_fresh_new_stop_stops_and_a_flood_does_not_keep_it_out",
        ),
    ),
    57: Fault(
        "traps of libraries and brokers",
        ("test_mqtt_publisher::test_a_run_from_its_first_event_to_its_result",),
        "one broker is tried, mosquitto; the library is held below its next major version",
    ),
    58: Fault(
        "a broker open to everybody",
        (
            "test_mqtt_page::test_the_page_s_broker_keeps_viewers_from_stopping",
            "test_mqtt_page::test_a_wrong_password_is_said_and_changes_nothing_else",
        ),
    ),
    # The page.
    59: Fault(
        "a browser that reads nothing",
        (
            "test_worker_socket::test_a_silent_client_is_hung_up_on_and_delays_nobody",
            "test_page_stream::test_a_frozen_browser_is_let_go_and_others_miss_nothing",
            "test_page_outages::test_twenty_look_on_and_the_one_that_froze_holds_nobody_up",
        ),
    ),
    60: Fault(
        "a page that looks alive",
        (
            "test_page_browser::test_a_person_starts_watches_and_stops",
            "test_page_stream::test_a_worker_that_is_silent_ages",
            "test_page_outages::test_a_worker_that_is_killed_leaves_a_page_that_does_not_look_alive",
        ),
    ),
    61: Fault(
        "strangers drive the bench",
        (
            "test_state_folder::test_nobody_else_looks_in",
            "test_page_server::test_other_sites_change_nothing",
            "test_page_server::test_every_call_that_does_something_is_taken_down",
        ),
    ),
    62: Fault(
        "did it stop?",
        (
            "test_service_stop::test_stop_answers_only_after_off_with_the_measured_current",
            "test_service_stop::test_a_stop_right_after_a_start_stops_it",
            "test_control::test_stop_asks_both_and_prints_what_each_answered",
            "test_control::test_stop_with_nobody_there_switches_off_itself",
            "test_page_browser::test_a_person_starts_watches_and_stops",
            "test_page_server::test_stop_asks_both_and_tells_what_was_measured",
            "test_page_tells::test_an_off_that_is_over_is_not_said_any_longer",
        ),
    ),
    # The pack, its leads and its heat.
    63: Fault(
        "one weak group in a pack that looks well",
        (
            "test_path_to_pack::test_a_group_with_less_capacity_ends_the_draw_before_it_is_hurt",
            "test_path_to_pack::test_groups_that_rest_far_apart_are_not_drawn_from",
            "test_bay_faults::test_a_group_below_its_hard_limit_trips_on_one_reading",
            "test_bay_faults::test_a_single_group_that_collapses_trips_although_the_pack_looks_well",
            "test_whole_chain::test_a_weak_group_ends_the_run_first",
            "test_plan::test_without_groups_a_plan_says_what_is_not_seen",
        ),
    ),
    64: Fault(
        "a channel that floats, is swapped or overloaded",
        (
            "test_path_to_pack::test_taps_that_are_wrong_are_named_before_anything_goes_on",
            "test_path_to_pack::test_a_tap_that_comes_off_in_a_run_and_reads_its_neighbour",
            "test_path_to_pack::test_one_channel_that_gives_no_number_is_a_missing_group",
            "test_path_to_pack::test_a_voltmeter_alone_sees_it_too",
            "test_supervised_bay::test_groups_that_no_longer_make_the_pack",
            "test_supervised_bay::test_a_scanner_that_answers_the_same_digits_for_ever",
            "test_supervised_bay::test_everything_that_is_wrong_is_said_at_once_and_nothing_goes_on",
            "test_supervision::test_the_groups_make_the_pack",
            "test_bay_faults::test_an_open_tap_is_a_missing_group",
        ),
        "two taps swapped where each channel is one group: their sum and their limits are the same",
    ),
    65: Fault(
        "a sense wire or a contact goes bad",
        (
            "test_path_to_pack::test_a_contact_that_grows_bad_trips",
            "test_path_to_pack::test_a_sense_wire_that_comes_off_in_a_run",
            "test_path_to_pack::test_a_voltmeter_alone_sees_it_too",
            "test_supervised_bay::test_a_longer_path_is_declared_in_the_bench_file",
            "test_preflight::test_along_the_path_a_current_drops_voltage",
        ),
    ),
    66: Fault(
        "the wrong pack, the wrong way round, the wrong mode",
        (
            "test_path_to_pack::test_polarity_and_presence",
            "test_path_to_pack::test_a_pack_of_another_number_of_groups",
            "test_path_to_pack::test_a_load_left_in_another_mode_draws_what_the_plan_says",
            "test_supervised_bay::test_everything_that_is_wrong_is_said_at_once_and_nothing_goes_on",
            "test_supervised_bay::test_a_pulse_goes_before_the_plan_and_leaves_no_sample",
            "test_supervised_bay::test_a_pulse_that_shows_something_wrong_ends_the_run_before_its_first_step",
            "test_preflight::test_problems_are_told_in_words",
            "test_preflight::test_what_a_pulse_shows",
        ),
    ),
    67: Fault(
        "a probe that lies, or heat that nothing explains",
        (
            "test_heat::test_what_a_broken_sensor_answers_trips_on_one_reading",
            "test_heat::test_an_open_or_shorted_probe_is_a_missing_one",
            "test_thermometers::test_a_probe_that_breaks_in_a_run_is_a_missing_one",
            "test_thermometers::test_a_cold_junction_that_is_lost_in_a_run_takes_all_thermocouples_with_it",
            "test_heat::test_a_probe_that_stands_still_while_the_pack_warms",
            "test_heat::test_ten_kelvins_a_minute",
            "test_heat::test_a_bay_needs_a_probe_on_the_pack",
            "test_supervised_bay::test_a_probe_that_falls_off",
            "test_supervised_bay::test_a_pack_that_warms_by_itself_ends_every_bay",
            "test_supervised_bay::test_a_pack_that_warms_in_that_half_hour_trips",
            "test_supervised_bay::test_everything_that_is_wrong_is_said_at_once_and_nothing_goes_on",
            "test_warmth::test_a_probe_that_fell_off_shows_ambient",
            "test_warmth::test_a_pack_that_warms_under_load_beyond_what_its_current_explains",
            "test_preflight::test_probes_of_a_rested_pack",
            "test_plan::test_the_pack_is_watched_for_half_an_hour_after_the_last_current",
            "test_heat::test_a_pack_that_warms_on_after_the_trip_is_watched_and_told_again",
            "test_heat::test_a_pack_that_is_not_warm_is_not_watched",
        ),
    ),
    68: Fault(
        "the signs of a runaway",
        (
            "test_heat::test_a_runaway_is_cut_off_early_told_everybody_and_never_gone_on_with",
            "test_supervised_bay::test_a_pack_that_warms_by_itself_ends_every_bay",
            "test_supervised_bay::test_one_pack_that_warms_by_itself_ends_what_runs_in_the_other_bay",
            "test_warmth::test_a_pack_that_warms_under_load_beyond_what_its_current_explains",
            "test_alarms::test_heat_keeps_people_away",
            "test_heat::test_what_people_are_told_to_keep_away_from",
            "test_supervised_bay::test_a_pack_without_a_mass_that_warms_under_a_gentle_load_trips",
            "test_heat::test_a_pack_that_warms_on_after_the_trip_is_watched_and_told_again",
        ),
    ),
    69: Fault(
        "the current vanishes, and comes back",
        (
            "test_path_to_pack::test_a_protection_board_that_opens_and_closes_again",
            "test_path_to_pack::test_a_board_that_opens_before_a_load_without_its_own_under_voltage_trip",
            "test_path_to_pack::test_a_board_that_opens_is_told_from_a_load_that_stopped",
            "test_path_to_pack::test_a_board_that_opens_in_the_test_pulse",
            "test_path_to_pack::test_part_of_the_current_that_vanishes_trips",
            "test_path_to_pack::test_voltage_that_comes_back_after_the_cut_off_is_no_reason_to_go_on",
            "test_bay_faults::test_current_that_vanishes_without_a_reason_trips",
            "test_bay_faults::test_a_load_whose_own_protection_has_tripped_is_named",
        ),
    ),
    70: Fault(
        "off was ordered, and current flows",
        (
            "test_bay_faults::test_a_load_that_ignores_off_is_not_called_off",
            "test_bay_faults::test_a_load_that_says_off_but_draws_is_not_called_off",
            "test_bay_faults::test_a_supply_that_stays_on_is_not_called_off",
            "test_bay_faults::test_a_load_stuck_on_at_the_start_is_never_armed_nor_used",
            "test_service_stop::test_off_not_confirmed_switches_every_bay_off_and_stops_every_list",
            "test_alarms::test_what_is_not_confirmed_is_loud_and_says_what_a_person_must_do",
            "test_drill::test_a_load_that_ignores_off_fails_the_drill",
            "test_settings_kept::test_a_load_that_keeps_its_last_state_never_goes_on",
            "test_supervised_bay::test_a_supply_that_is_switched_on_by_hand_while_the_load_draws",
            "test_contactor::test_silence_opens_it_and_a_word_does_at_once",
            "test_heat::test_a_current_after_off_is_switched_off_again_and_said",
        ),
    ),
}
