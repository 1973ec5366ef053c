"""Registers of PCI configuration space as data, each with its source, and the tables that go with them.

Holds no logic but one sum (slot power); `probes/decode.py` reads bytes by these layouts. Bits that a
specification defines but nobody here needs are claimed as reserved with the reason "not decoded here".
"""

from __future__ import annotations

from typing import Final

from knowledge.layout import Field, Layout, Reserved

_KERNEL: Final = "Linux include/uapi/linux/pci_regs.h"
_FIRMWARE: Final = "EDK II MdePkg/Include/IndustryStandard"
_UNUSED: Final = "not decoded here"


def _header(name: str, offset: int, size: int, *fields: Field | Reserved) -> Layout:
    source = f"PCI Express Base, Type 0/1 Configuration Space Header; {_KERNEL}"
    return Layout(name, home="header", offset=offset, size=size, source=source, fields=fields)


def _express(name: str, offset: int, size: int, *fields: Field | Reserved, also: str = "") -> Layout:
    source = f"PCI Express Base, PCI Express Capability Structure; {_KERNEL}" + also
    return Layout(name, home="capability 10", offset=offset, size=size, source=source, fields=fields)


def _errors(name: str, offset: int, size: int, *fields: Field | Reserved) -> Layout:
    source = f"PCI Express Base, Advanced Error Reporting Extended Capability; {_KERNEL}"
    return Layout(name, home="extended 0001", offset=offset, size=size, source=source, fields=fields)


def _lanes(name: str, home: str, offset: int, source: str) -> Layout:
    return Layout(name, home=home, offset=offset, size=4, source=source, fields=(Field("lanes", 0, 32),))


# --- Header ----------------------------------------------------------------------------------------------

VENDOR_ID: Final = _header("vendor_id", 0x00, 2, Field("vendor_id", 0, 16))
DEVICE_ID: Final = _header("device_id", 0x02, 2, Field("device_id", 0, 16))
COMMAND: Final = _header(
    *("command", 0x04, 2),
    Field("io_space_enable", 0),
    Field("memory_space_enable", 1),
    Field("bus_master_enable", 2),
    Field("special_cycle_enable", 3),
    Field("memory_write_and_invalidate", 4),
    Field("vga_palette_snoop", 5),
    Field("parity_error_response", 6),
    Field("idsel_stepping_wait_cycle_control", 7),
    Field("serr_enable", 8),
    Field("fast_back_to_back_transactions_enable", 9),
    Field("interrupt_disable", 10),
    Reserved(11, 5),
)
STATUS: Final = _header(
    *("status", 0x06, 2),
    Field("immediate_readiness", 0),
    Reserved(1, 2),
    Field("interrupt_status", 3),
    Field("capabilities_list", 4),
    Field("capable_of_66_mhz", 5),
    Reserved(6),
    Field("fast_back_to_back_transactions_capable", 7),
    Field("master_data_parity_error", 8),
    Field("devsel_timing", 9, 2),
    Field("signaled_target_abort", 11),
    Field("received_target_abort", 12),
    Field("received_master_abort", 13),
    Field("signaled_system_error", 14),
    Field("detected_parity_error", 15),
)
REVISION_ID: Final = _header("revision_id", 0x08, 1, Field("revision_id", 0, 8))
CLASS_CODE: Final = _header("class_code", 0x09, 3, Field("class_code", 0, 24))
HEADER_TYPE: Final = _header("header_type", 0x0E, 1, Field("header_layout", 0, 7), Field("multi_function", 7))
CAPABILITIES_POINTER: Final = _header("capabilities_pointer", 0x34, 1, Field("capabilities_pointer", 0, 8))
CARDBUS_CAPABILITIES_POINTER: Final = _header(
    "cardbus_capabilities_pointer", 0x14, 1, Field("capabilities_pointer", 0, 8)
)
SUBSYSTEM_VENDOR_ID: Final = _header("subsystem_vendor_id", 0x2C, 2, Field("subsystem_vendor_id", 0, 16))
SUBSYSTEM_ID: Final = _header("subsystem_id", 0x2E, 2, Field("subsystem_id", 0, 16))
PRIMARY_BUS_NUMBER: Final = _header("primary_bus_number", 0x18, 1, Field("primary_bus_number", 0, 8))
SECONDARY_BUS_NUMBER: Final = _header("secondary_bus_number", 0x19, 1, Field("secondary_bus_number", 0, 8))
SUBORDINATE_BUS_NUMBER: Final = _header("subordinate_bus_number", 0x1A, 1, Field("subordinate_bus_number", 0, 8))

# --- Subsystem identifiers of a bridge (capability 0D) -----------------------------------------------------

_BRIDGE_SUBSYSTEM: Final = (
    f"PCI-to-PCI Bridge Architecture 1.2, Subsystem ID and Subsystem Vendor ID Capability; {_KERNEL}"
)
BRIDGE_SUBSYSTEM_VENDOR_ID: Final = Layout(
    "bridge_subsystem_vendor_id",
    home="capability 0D",
    offset=0x04,
    size=2,
    source=_BRIDGE_SUBSYSTEM,
    fields=(Field("subsystem_vendor_id", 0, 16),),
)
BRIDGE_SUBSYSTEM_ID: Final = Layout(
    "bridge_subsystem_id",
    home="capability 0D",
    offset=0x06,
    size=2,
    source=_BRIDGE_SUBSYSTEM,
    fields=(Field("subsystem_id", 0, 16),),
)

# --- PCI Express capability (10) ---------------------------------------------------------------------------

PCI_EXPRESS_CAPABILITIES: Final = _express(
    *("pci_express_capabilities", 0x02, 2),
    Field("capability_version", 0, 4),
    Field("device_port_type", 4, 4),
    Field("slot_implemented", 8),
    Field("interrupt_message_number", 9, 5),
    Reserved(14, why="undefined"),
    Field("flit_mode_supported", 15),
    also=f"; bit 15: {_FIRMWARE}/PciExpress21.h",
)
DEVICE_CAPABILITIES: Final = _express(
    *("device_capabilities", 0x04, 4),
    Field("max_payload_size_supported", 0, 3),
    Field("phantom_functions_supported", 3, 2),
    Field("extended_tag_field_supported", 5),
    Field("endpoint_l0s_acceptable_latency", 6, 3),
    Field("endpoint_l1_acceptable_latency", 9, 3),
    Reserved(12, 3, why="undefined since revision 1.1"),
    Field("role_based_error_reporting", 15),
    Field("err_cor_subclass_capable", 16),
    Reserved(17, why=_UNUSED),
    Field("captured_slot_power_limit_value", 18, 8),
    Field("captured_slot_power_limit_scale", 26, 2),
    Field("function_level_reset_capability", 28),
    Reserved(29, 3, why=_UNUSED),
    also=f"; bit 16: {_FIRMWARE}/PciExpress21.h",
)
DEVICE_CONTROL: Final = _express(
    *("device_control", 0x08, 2),
    Field("correctable_error_reporting_enable", 0),
    Field("non_fatal_error_reporting_enable", 1),
    Field("fatal_error_reporting_enable", 2),
    Field("unsupported_request_reporting_enable", 3),
    Field("enable_relaxed_ordering", 4),
    Field("max_payload_size", 5, 3),
    Field("extended_tag_field_enable", 8),
    Field("phantom_functions_enable", 9),
    Field("aux_power_pm_enable", 10),
    Field("enable_no_snoop", 11),
    Field("max_read_request_size", 12, 3),
    Field("bridge_configuration_retry_enable_or_initiate_function_level_reset", 15),
)
DEVICE_STATUS: Final = _express(
    *("device_status", 0x0A, 2),
    Field("correctable_error_detected", 0),
    Field("non_fatal_error_detected", 1),
    Field("fatal_error_detected", 2),
    Field("unsupported_request_detected", 3),
    Field("aux_power_detected", 4),
    Field("transactions_pending", 5),
    Field("emergency_power_reduction_detected", 6),
    Reserved(7, 9),
    also=f"; bit 6: {_FIRMWARE}/PciExpress21.h",
)
LINK_CAPABILITIES: Final = _express(
    *("link_capabilities", 0x0C, 4),
    Field("max_link_speed", 0, 4),
    Field("maximum_link_width", 4, 6),
    Field("active_state_power_management_support", 10, 2),
    Field("l0s_exit_latency", 12, 3),
    Field("l1_exit_latency", 15, 3),
    Field("clock_power_management", 18),
    Field("surprise_down_error_reporting_capable", 19),
    Field("data_link_layer_link_active_reporting_capable", 20),
    Field("link_bandwidth_notification_capability", 21),
    Field("aspm_optionality_compliance", 22),
    Reserved(23),
    Field("port_number", 24, 8),
)
LINK_CONTROL: Final = _express(
    *("link_control", 0x10, 2),
    Field("active_state_power_management_control", 0, 2),
    Reserved(2, why=_UNUSED),
    Field("read_completion_boundary", 3),
    Field("link_disable", 4),
    Field("retrain_link", 5),
    Field("common_clock_configuration", 6),
    Field("extended_synch", 7),
    Field("enable_clock_power_management", 8),
    Field("hardware_autonomous_width_disable", 9),
    Field("link_bandwidth_management_interrupt_enable", 10),
    Field("link_autonomous_bandwidth_interrupt_enable", 11),
    Reserved(12, why=_UNUSED),
    Field("flit_mode_disable", 13),
    Field("drs_signaling_control", 14, 2),
    also=f"; bits 13 to 15: {_FIRMWARE}/PciExpress21.h",
)
LINK_STATUS: Final = _express(
    *("link_status", 0x12, 2),
    Field("current_link_speed", 0, 4),
    Field("negotiated_link_width", 4, 6),
    Reserved(10, why="undefined"),
    Field("link_training", 11),
    Field("slot_clock_configuration", 12),
    Field("data_link_layer_link_active", 13),
    Field("link_bandwidth_management_status", 14),
    Field("link_autonomous_bandwidth_status", 15),
)
SLOT_CAPABILITIES: Final = _express(
    *("slot_capabilities", 0x14, 4),
    Field("attention_button_present", 0),
    Field("power_controller_present", 1),
    Field("mrl_sensor_present", 2),
    Field("attention_indicator_present", 3),
    Field("power_indicator_present", 4),
    Field("hot_plug_surprise", 5),
    Field("hot_plug_capable", 6),
    Field("slot_power_limit_value", 7, 8),
    Field("slot_power_limit_scale", 15, 2),
    Field("electromechanical_interlock_present", 17),
    Field("no_command_completed_support", 18),
    Field("physical_slot_number", 19, 13),
)
SLOT_CONTROL: Final = _express(
    *("slot_control", 0x18, 2),
    Field("attention_button_pressed_enable", 0),
    Field("power_fault_detected_enable", 1),
    Field("mrl_sensor_changed_enable", 2),
    Field("presence_detect_changed_enable", 3),
    Field("command_completed_interrupt_enable", 4),
    Field("hot_plug_interrupt_enable", 5),
    Field("attention_indicator_control", 6, 2),
    Field("power_indicator_control", 8, 2),
    Field("power_controller_control", 10),
    Field("electromechanical_interlock_control", 11),
    Field("data_link_layer_state_changed_enable", 12),
    Field("auto_slot_power_limit_disable", 13),
    Field("in_band_presence_detect_disable", 14),
    Reserved(15),
)
SLOT_STATUS: Final = _express(
    *("slot_status", 0x1A, 2),
    Field("attention_button_pressed", 0),
    Field("power_fault_detected", 1),
    Field("mrl_sensor_changed", 2),
    Field("presence_detect_changed", 3),
    Field("command_completed", 4),
    Field("mrl_sensor_state", 5),
    Field("presence_detect_state", 6),
    Field("electromechanical_interlock_status", 7),
    Field("data_link_layer_state_changed", 8),
    Reserved(9, 7),
)
ROOT_CONTROL: Final = _express(
    *("root_control", 0x1C, 2),
    Field("system_error_on_correctable_error_enable", 0),
    Field("system_error_on_non_fatal_error_enable", 1),
    Field("system_error_on_fatal_error_enable", 2),
    Field("pme_interrupt_enable", 3),
    Field("configuration_request_retry_status_software_visibility_enable", 4),
    Reserved(5, 11, why=_UNUSED),
)
ROOT_CAPABILITIES: Final = _express(
    *("root_capabilities", 0x1E, 2),
    Field("configuration_request_retry_status_software_visibility", 0),
    Reserved(1, 15),
)
ROOT_STATUS: Final = _express(
    *("root_status", 0x20, 4),
    Field("pme_requester_id", 0, 16),
    Field("pme_status", 16),
    Field("pme_pending", 17),
    Reserved(18, 14),
)
DEVICE_CAPABILITIES_2: Final = _express(
    *("device_capabilities_2", 0x24, 4),
    Field("completion_timeout_ranges_supported", 0, 4),
    Field("completion_timeout_disable_supported", 4),
    Field("ari_forwarding_supported", 5),
    Field("atomicop_routing_supported", 6),
    Field("atomicop_completer_32_bit_supported", 7),
    Field("atomicop_completer_64_bit_supported", 8),
    Field("cas_completer_128_bit_supported", 9),
    Field("no_ro_enabled_pr_pr_passing", 10),
    Field("ltr_mechanism_supported", 11),
    Field("tph_completer_supported", 12, 2),
    Reserved(14, 2, why=_UNUSED),
    Field("ten_bit_tag_completer_supported", 16),
    Field("ten_bit_tag_requester_supported", 17),
    Field("obff_supported", 18, 2),
    Field("extended_fmt_field_supported", 20),
    Field("end_end_tlp_prefix_supported", 21),
    Field("max_end_end_tlp_prefixes", 22, 2),
    Field("emergency_power_reduction_supported", 24, 2),
    Field("emergency_power_reduction_initialization_required", 26),
    Reserved(27, 4, why=_UNUSED),
    Field("frs_supported", 31),
    also=f"; bits 10, 12, 13, 16, 17, 20 and 22 to 31: {_FIRMWARE}/PciExpress21.h",
)
DEVICE_CONTROL_2: Final = _express(
    *("device_control_2", 0x28, 2),
    Field("completion_timeout_value", 0, 4),
    Field("completion_timeout_disable", 4),
    Field("ari_forwarding_enable", 5),
    Field("atomicop_requester_enable", 6),
    Field("atomicop_egress_blocking", 7),
    Field("ido_request_enable", 8),
    Field("ido_completion_enable", 9),
    Field("ltr_mechanism_enable", 10),
    Field("emergency_power_reduction_request", 11),
    Field("ten_bit_tag_requester_enable", 12),
    Field("obff_enable", 13, 2),
    Field("end_end_tlp_prefix_blocking", 15),
    also=f"; bits 11, 12 and 15: {_FIRMWARE}/PciExpress21.h",
)
LINK_CAPABILITIES_2: Final = _express(
    *("link_capabilities_2", 0x2C, 4),
    Reserved(0),
    Field("supported_link_speeds_vector", 1, 7),
    Field("crosslink_supported", 8),
    Field("lower_skp_os_generation_supported_speeds_vector", 9, 7),
    Field("lower_skp_os_reception_supported_speeds_vector", 16, 7),
    Field("retimer_presence_detect_supported", 23),
    Field("two_retimers_presence_detect_supported", 24),
    Reserved(25, 6),
    Field("drs_supported", 31),
    also=f"; bits 9 to 31: {_FIRMWARE}/PciExpress21.h",
)
LINK_CONTROL_2: Final = _express(
    *("link_control_2", 0x30, 2),
    Field("target_link_speed", 0, 4),
    Field("enter_compliance", 4),
    Field("hardware_autonomous_speed_disable", 5),
    Field("selectable_de_emphasis", 6),
    Field("transmit_margin", 7, 3),
    Field("enter_modified_compliance", 10),
    Field("compliance_sos", 11),
    Field("compliance_preset_de_emphasis", 12, 4),
    also=f"; bits 6 and 10 to 15: {_FIRMWARE}/PciExpress21.h",
)
LINK_STATUS_2: Final = _express(
    *("link_status_2", 0x32, 2),
    Field("current_de_emphasis_level", 0),
    Field("equalization_8gt_complete", 1),
    Field("equalization_8gt_phase_1_successful", 2),
    Field("equalization_8gt_phase_2_successful", 3),
    Field("equalization_8gt_phase_3_successful", 4),
    Field("link_equalization_request_8gt", 5),
    Field("retimer_presence_detected", 6),
    Field("two_retimers_presence_detected", 7),
    Field("crosslink_resolution", 8, 2),
    Field("flit_mode_status", 10),
    Reserved(11),
    Field("downstream_component_presence", 12, 3),
    Field("drs_message_received", 15),
    also=f"; all bits but 10: {_FIRMWARE}/PciExpress21.h",
)
SLOT_CAPABILITIES_2: Final = _express(
    *("slot_capabilities_2", 0x34, 4),
    Field("in_band_presence_detect_disable_supported", 0),
    Reserved(1, 31),
)

# --- Advanced Error Reporting (extended 0001) ----------------------------------------------------------------


def _uncorrectable(name: str, offset: int, suffix: str) -> Layout:
    return _errors(
        *(name, offset, 4),
        Reserved(0, why="undefined"),
        Reserved(1, 3),
        Field(f"data_link_protocol_error_{suffix}", 4),
        Field(f"surprise_down_error_{suffix}", 5),
        Reserved(6, 6),
        Field(f"poisoned_tlp_received_{suffix}", 12),
        Field(f"flow_control_protocol_error_{suffix}", 13),
        Field(f"completion_timeout_{suffix}", 14),
        Field(f"completer_abort_{suffix}", 15),
        Field(f"unexpected_completion_{suffix}", 16),
        Field(f"receiver_overflow_{suffix}", 17),
        Field(f"malformed_tlp_{suffix}", 18),
        Field(f"ecrc_error_{suffix}", 19),
        Field(f"unsupported_request_error_{suffix}", 20),
        Field(f"acs_violation_{suffix}", 21),
        Field(f"uncorrectable_internal_error_{suffix}", 22),
        Field(f"mc_blocked_tlp_{suffix}", 23),
        Field(f"atomicop_egress_blocked_{suffix}", 24),
        Field(f"tlp_prefix_blocked_error_{suffix}", 25),
        Field(f"poisoned_tlp_egress_blocked_{suffix}", 26),
        Field(f"dmwr_request_egress_blocked_{suffix}", 27),
        Field(f"ide_check_failed_{suffix}", 28),
        Field(f"misrouted_ide_tlp_{suffix}", 29),
        Field(f"pcrc_check_failed_{suffix}", 30),
        Field(f"tlp_translation_egress_blocked_{suffix}", 31),
    )


def _correctable(name: str, offset: int, suffix: str) -> Layout:
    return _errors(
        *(name, offset, 4),
        Field(f"receiver_error_{suffix}", 0),
        Reserved(1, 5),
        Field(f"bad_tlp_{suffix}", 6),
        Field(f"bad_dllp_{suffix}", 7),
        Field(f"replay_num_rollover_{suffix}", 8),
        Reserved(9, 3),
        Field(f"replay_timer_timeout_{suffix}", 12),
        Field(f"advisory_non_fatal_error_{suffix}", 13),
        Field(f"corrected_internal_error_{suffix}", 14),
        Field(f"header_log_overflow_{suffix}", 15),
        Reserved(16, 16),
    )


UNCORRECTABLE_ERROR_STATUS: Final = _uncorrectable("uncorrectable_error_status", 0x04, "status")
UNCORRECTABLE_ERROR_MASK: Final = _uncorrectable("uncorrectable_error_mask", 0x08, "mask")
UNCORRECTABLE_ERROR_SEVERITY: Final = _uncorrectable("uncorrectable_error_severity", 0x0C, "severity")
CORRECTABLE_ERROR_STATUS: Final = _correctable("correctable_error_status", 0x10, "status")
CORRECTABLE_ERROR_MASK: Final = _correctable("correctable_error_mask", 0x14, "mask")
ADVANCED_ERROR_CAPABILITIES: Final = _errors(
    *("advanced_error_capabilities", 0x18, 4),
    Field("first_error_pointer", 0, 5),
    Field("ecrc_generation_capable", 5),
    Field("ecrc_generation_enable", 6),
    Field("ecrc_check_capable", 7),
    Field("ecrc_check_enable", 8),
    Reserved(9, 23, why=_UNUSED),
)
HEADER_LOG: Final = _errors("header_log", 0x1C, 16, Field("header_log", 0, 128))
ROOT_ERROR_COMMAND: Final = _errors(
    *("root_error_command", 0x2C, 4),
    Field("correctable_error_reporting_enable", 0),
    Field("non_fatal_error_reporting_enable", 1),
    Field("fatal_error_reporting_enable", 2),
    Reserved(3, 29),
)
ROOT_ERROR_STATUS: Final = _errors(
    *("root_error_status", 0x30, 4),
    Field("err_cor_received", 0),
    Field("multiple_err_cor_received", 1),
    Field("err_fatal_nonfatal_received", 2),
    Field("multiple_err_fatal_nonfatal_received", 3),
    Field("first_uncorrectable_fatal", 4),
    Field("non_fatal_error_messages_received", 5),
    Field("fatal_error_messages_received", 6),
    Reserved(7, 20, why=_UNUSED),
    Field("advanced_error_interrupt_message_number", 27, 5),
)
ERROR_SOURCE_IDENTIFICATION: Final = _errors(
    *("error_source_identification", 0x34, 4),
    Field("err_cor_source_identification", 0, 16),
    Field("err_fatal_nonfatal_source_identification", 16, 16),
)

# --- Other extended capabilities -----------------------------------------------------------------------------

DEVICE_SERIAL_NUMBER: Final = Layout(
    "device_serial_number",
    home="extended 0003",
    offset=0x04,
    size=8,
    source="PCI Express Base, Device Serial Number Extended Capability; Linux drivers/pci/pci.c pci_get_dsn",
    fields=(Field("serial_number", 0, 64),),
)
VENDOR_SPECIFIC_HEADER: Final = Layout(
    "vendor_specific_header",
    home="extended 000B",
    offset=0x04,
    size=4,
    source=f"PCI Express Base, Vendor-Specific Extended Capability; {_KERNEL}",
    fields=(Field("vsec_id", 0, 16), Field("vsec_revision", 16, 4), Field("vsec_length", 20, 12)),
)
LINK_CONTROL_3: Final = Layout(
    "link_control_3",
    home="extended 0019",
    offset=0x04,
    size=4,
    source=f"PCI Express Base, Secondary PCI Express Extended Capability; {_FIRMWARE}/PciExpress30.h",
    fields=(
        Field("perform_equalization", 0),
        Field("link_equalization_request_interrupt_enable", 1),
        Reserved(2, 30, why=_UNUSED),
    ),
)
LANE_ERROR_STATUS: Final = _lanes(
    "lane_error_status",
    "extended 0019",
    0x08,
    f"PCI Express Base, Secondary PCI Express Extended Capability; {_FIRMWARE}/PciExpress30.h",
)
DPC_STATUS: Final = Layout(
    "dpc_status",
    home="extended 001D",
    offset=0x08,
    size=2,
    source=f"PCI Express Base, Downstream Port Containment Extended Capability; {_KERNEL}",
    fields=(
        Field("dpc_trigger_status", 0),
        Field("dpc_trigger_reason", 1, 2),
        Field("dpc_interrupt_status", 3),
        Field("dpc_rp_busy", 4),
        Field("dpc_trigger_reason_extension", 5, 2),
        Reserved(7),
        Field("rp_pio_first_error_pointer", 8, 5),
        Reserved(13, 3, why=_UNUSED),
    ),
)
L1_PM_SUBSTATES_CAPABILITIES: Final = Layout(
    "l1_pm_substates_capabilities",
    home="extended 001E",
    offset=0x04,
    size=4,
    source=f"PCI Express Base, L1 PM Substates Extended Capability; {_KERNEL}",
    fields=(
        Field("pci_pm_l1_2_supported", 0),
        Field("pci_pm_l1_1_supported", 1),
        Field("aspm_l1_2_supported", 2),
        Field("aspm_l1_1_supported", 3),
        Field("l1_pm_substates_supported", 4),
        Reserved(5, 3, why=_UNUSED),
        Field("port_common_mode_restore_time", 8, 8),
        Field("port_t_power_on_scale", 16, 2),
        Reserved(18),
        Field("port_t_power_on_value", 19, 5),
        Reserved(24, 8, why=_UNUSED),
    ),
)
L1_PM_SUBSTATES_CONTROL_1: Final = Layout(
    "l1_pm_substates_control_1",
    home="extended 001E",
    offset=0x08,
    size=4,
    source=f"PCI Express Base, L1 PM Substates Extended Capability; {_KERNEL}",
    fields=(
        Field("pci_pm_l1_2_enable", 0),
        Field("pci_pm_l1_1_enable", 1),
        Field("aspm_l1_2_enable", 2),
        Field("aspm_l1_1_enable", 3),
        Reserved(4, 4, why=_UNUSED),
        Field("common_mode_restore_time", 8, 8),
        Field("ltr_l1_2_threshold_value", 16, 10),
        Reserved(26, 3),
        Field("ltr_l1_2_threshold_scale", 29, 3),
    ),
)
DATA_LINK_FEATURE_CAPABILITIES: Final = Layout(
    "data_link_feature_capabilities",
    home="extended 0025",
    offset=0x04,
    size=4,
    source=f"PCI Express Base, Data Link Feature Extended Capability; {_FIRMWARE}/PciExpress40.h; {_KERNEL}",
    fields=(
        Field("local_scaled_flow_control_supported", 0),
        Reserved(1, 30, why=_UNUSED),
        Field("data_link_feature_exchange_enable", 31),
    ),
)
DATA_LINK_FEATURE_STATUS: Final = Layout(
    "data_link_feature_status",
    home="extended 0025",
    offset=0x08,
    size=4,
    source=f"PCI Express Base, Data Link Feature Extended Capability; {_FIRMWARE}/PciExpress40.h",
    fields=(
        Field("remote_scaled_flow_control_supported", 0),
        Reserved(1, 30, why=_UNUSED),
        Field("remote_data_link_feature_supported_valid", 31),
    ),
)

# --- Physical layers of 16, 32 and 64 GT/s -------------------------------------------------------------------

_EQUALIZATION: Final = (
    Field("equalization_complete", 0),
    Field("phase_1_successful", 1),
    Field("phase_2_successful", 2),
    Field("phase_3_successful", 3),
    Field("link_equalization_request", 4),
)
_PHYSICAL_16GT: Final = f"PCI Express Base, Physical Layer 16.0 GT/s Extended Capability; {_FIRMWARE}/PciExpress40.h"
STATUS_16GT: Final = Layout(
    "status_16gt",
    home="extended 0026",
    offset=0x0C,
    size=4,
    source=_PHYSICAL_16GT,
    fields=(*_EQUALIZATION, Reserved(5, 27)),
)
LOCAL_DATA_PARITY_MISMATCH_16GT: Final = _lanes(
    "local_data_parity_mismatch_16gt", "extended 0026", 0x10, _PHYSICAL_16GT
)
FIRST_RETIMER_DATA_PARITY_MISMATCH_16GT: Final = _lanes(
    "first_retimer_data_parity_mismatch_16gt", "extended 0026", 0x14, _PHYSICAL_16GT
)
SECOND_RETIMER_DATA_PARITY_MISMATCH_16GT: Final = _lanes(
    "second_retimer_data_parity_mismatch_16gt", "extended 0026", 0x18, _PHYSICAL_16GT
)
STATUS_32GT: Final = Layout(
    "status_32gt",
    home="extended 002A",
    offset=0x0C,
    size=4,
    source=f"PCI Express Base, Physical Layer 32.0 GT/s Extended Capability; {_FIRMWARE}/PciExpress50.h",
    fields=(
        *_EQUALIZATION,
        Field("modified_ts_received", 5),
        Reserved(6, 2, why=_UNUSED),
        Field("transmitter_precoding_on", 8),
        Reserved(9, why=_UNUSED),
        Field("no_equalization_needed_received", 10),
        Reserved(11, 21, why=_UNUSED),
    ),
)
STATUS_64GT: Final = Layout(
    "status_64gt",
    home="extended 0031",
    offset=0x0C,
    size=4,
    source=f"PCI Express Base, Physical Layer 64.0 GT/s Extended Capability; {_FIRMWARE}/PciExpress60.h",
    fields=(
        *_EQUALIZATION,
        Field("transmitter_precoding_on", 5),
        Reserved(6, why=_UNUSED),
        Field("no_equalization_needed_received", 7),
        Reserved(8, 24, why=_UNUSED),
    ),
)

ALL_LAYOUTS: Final = (
    VENDOR_ID,
    DEVICE_ID,
    COMMAND,
    STATUS,
    REVISION_ID,
    CLASS_CODE,
    HEADER_TYPE,
    CAPABILITIES_POINTER,
    CARDBUS_CAPABILITIES_POINTER,
    SUBSYSTEM_VENDOR_ID,
    SUBSYSTEM_ID,
    PRIMARY_BUS_NUMBER,
    SECONDARY_BUS_NUMBER,
    SUBORDINATE_BUS_NUMBER,
    BRIDGE_SUBSYSTEM_VENDOR_ID,
    BRIDGE_SUBSYSTEM_ID,
    PCI_EXPRESS_CAPABILITIES,
    DEVICE_CAPABILITIES,
    DEVICE_CONTROL,
    DEVICE_STATUS,
    LINK_CAPABILITIES,
    LINK_CONTROL,
    LINK_STATUS,
    SLOT_CAPABILITIES,
    SLOT_CONTROL,
    SLOT_STATUS,
    ROOT_CONTROL,
    ROOT_CAPABILITIES,
    ROOT_STATUS,
    DEVICE_CAPABILITIES_2,
    DEVICE_CONTROL_2,
    LINK_CAPABILITIES_2,
    LINK_CONTROL_2,
    LINK_STATUS_2,
    SLOT_CAPABILITIES_2,
    UNCORRECTABLE_ERROR_STATUS,
    UNCORRECTABLE_ERROR_MASK,
    UNCORRECTABLE_ERROR_SEVERITY,
    CORRECTABLE_ERROR_STATUS,
    CORRECTABLE_ERROR_MASK,
    ADVANCED_ERROR_CAPABILITIES,
    HEADER_LOG,
    ROOT_ERROR_COMMAND,
    ROOT_ERROR_STATUS,
    ERROR_SOURCE_IDENTIFICATION,
    DEVICE_SERIAL_NUMBER,
    VENDOR_SPECIFIC_HEADER,
    LINK_CONTROL_3,
    LANE_ERROR_STATUS,
    DPC_STATUS,
    L1_PM_SUBSTATES_CAPABILITIES,
    L1_PM_SUBSTATES_CONTROL_1,
    DATA_LINK_FEATURE_CAPABILITIES,
    DATA_LINK_FEATURE_STATUS,
    STATUS_16GT,
    LOCAL_DATA_PARITY_MISMATCH_16GT,
    FIRST_RETIMER_DATA_PARITY_MISMATCH_16GT,
    SECOND_RETIMER_DATA_PARITY_MISMATCH_16GT,
    STATUS_32GT,
    STATUS_64GT,
)

# --- Which register exists where -----------------------------------------------------------------------------
# Source: Linux drivers/pci/access.c, pcie_capability_reg_implemented and the functions that it asks.

ENDPOINT: Final = 0
LEGACY_ENDPOINT: Final = 1
ROOT_PORT: Final = 4
SWITCH_UPSTREAM_PORT: Final = 5
SWITCH_DOWNSTREAM_PORT: Final = 6
BRIDGE_TO_PCI: Final = 7
BRIDGE_FROM_PCI: Final = 8
INTEGRATED_ENDPOINT: Final = 9
EVENT_COLLECTOR: Final = 10

# The Device/Port Type field of the PCI Express Capabilities register, in the specification's words.
PORT_TYPES: Final[dict[int, str]] = {
    ENDPOINT: "endpoint",
    LEGACY_ENDPOINT: "legacy endpoint",
    ROOT_PORT: "root port",
    SWITCH_UPSTREAM_PORT: "switch upstream port",
    SWITCH_DOWNSTREAM_PORT: "switch downstream port",
    BRIDGE_TO_PCI: "PCI Express to PCI bridge",
    BRIDGE_FROM_PCI: "PCI to PCI Express bridge",
    INTEGRATED_ENDPOINT: "root complex integrated endpoint",
    EVENT_COLLECTOR: "root complex event collector",
}

LINK_REGISTERS: Final = frozenset(
    (LINK_CAPABILITIES, LINK_CONTROL, LINK_STATUS, LINK_CAPABILITIES_2, LINK_CONTROL_2, LINK_STATUS_2)
)
SLOT_REGISTERS: Final = frozenset((SLOT_CAPABILITIES, SLOT_CONTROL, SLOT_STATUS, SLOT_CAPABILITIES_2))
ROOT_REGISTERS: Final = frozenset((ROOT_CONTROL, ROOT_CAPABILITIES, ROOT_STATUS))
SECOND_GENERATION_REGISTERS: Final = frozenset(
    (
        DEVICE_CAPABILITIES_2,
        DEVICE_CONTROL_2,
        LINK_CAPABILITIES_2,
        LINK_CONTROL_2,
        LINK_STATUS_2,
        SLOT_CAPABILITIES_2,
    )
)
SECOND_GENERATION_VERSION: Final = 2

TYPES_WITH_LINK: Final = frozenset(
    (
        ENDPOINT,
        LEGACY_ENDPOINT,
        ROOT_PORT,
        SWITCH_UPSTREAM_PORT,
        SWITCH_DOWNSTREAM_PORT,
        BRIDGE_TO_PCI,
        BRIDGE_FROM_PCI,
    )
)
TYPES_WITH_SLOT: Final = frozenset((ROOT_PORT, SWITCH_DOWNSTREAM_PORT, BRIDGE_FROM_PCI))
TYPES_WITH_ROOT: Final = frozenset((ROOT_PORT, EVENT_COLLECTOR))

# Header layouts: 0 device, 1 bridge, 2 CardBus bridge. Registers that are not listed exist in all of them.
HEADER_LAYOUTS: Final[dict[Layout, frozenset[int]]] = {
    CAPABILITIES_POINTER: frozenset((0, 1)),
    CARDBUS_CAPABILITIES_POINTER: frozenset((2,)),
    SUBSYSTEM_VENDOR_ID: frozenset((0,)),
    SUBSYSTEM_ID: frozenset((0,)),
    PRIMARY_BUS_NUMBER: frozenset((1, 2)),
    SECONDARY_BUS_NUMBER: frozenset((1, 2)),
    SUBORDINATE_BUS_NUMBER: frozenset((1, 2)),
}

# --- Meanings ------------------------------------------------------------------------------------------------

# Max_Payload_Size and Max_Read_Request_Size codes to bytes; 6 and 7 are reserved.
# Source: PCI Express Base, Device Control Register; pci_regs.h PCI_EXP_DEVCTL_PAYLOAD_*, _READRQ_*.
PAYLOAD_BYTES: Final[dict[int, int]] = {0: 128, 1: 256, 2: 512, 3: 1024, 4: 2048, 5: 4096}

# What the kernel counts: its name in aer_dev_correctable, and in aer_dev_fatal and aer_dev_nonfatal, to (bit of the
# status register, the specification's name, whether it arises in the physical or data link layer).
# Sources: Linux drivers/pci/pcie/aer.c; PCI Express Base, Error Messages, lists of physical, data link and transaction
# layer errors.
CORRECTABLE_ERRORS: Final[dict[str, tuple[int, str, bool]]] = {
    "RxErr": (0, "Receiver Error", True),
    "BadTLP": (6, "Bad TLP", True),
    "BadDLLP": (7, "Bad DLLP", True),
    "Rollover": (8, "REPLAY_NUM Rollover", True),
    "Timeout": (12, "Replay Timer Timeout", True),
    "NonFatalErr": (13, "Advisory Non-Fatal Error", False),
    "CorrIntErr": (14, "Corrected Internal Error", False),
    "HeaderOF": (15, "Header Log Overflow", False),
}
UNCORRECTABLE_ERRORS: Final[dict[str, tuple[int, str, bool]]] = {
    "Undefined": (0, "Undefined", False),
    "DLP": (4, "Data Link Protocol Error", True),
    "SDES": (5, "Surprise Down Error", True),
    "TLP": (12, "Poisoned TLP Received", False),
    "FCP": (13, "Flow Control Protocol Error", False),
    "CmpltTO": (14, "Completion Timeout", False),
    "CmpltAbrt": (15, "Completer Abort", False),
    "UnxCmplt": (16, "Unexpected Completion", False),
    "RxOF": (17, "Receiver Overflow", False),
    "MalfTLP": (18, "Malformed TLP", False),
    "ECRC": (19, "ECRC Error", False),
    "UnsupReq": (20, "Unsupported Request Error", False),
    "ACSViol": (21, "ACS Violation", False),
    "UncorrIntErr": (22, "Uncorrectable Internal Error", False),
    "BlockedTLP": (23, "MC Blocked TLP", False),
    "AtomicOpBlocked": (24, "AtomicOp Egress Blocked", False),
    "TLPBlockedErr": (25, "TLP Prefix Blocked Error", False),
    "PoisonTLPBlocked": (26, "Poisoned TLP Egress Blocked", False),
    "DMWrReqBlocked": (27, "DMWr Request Egress Blocked", False),
    "IDECheck": (28, "IDE Check Failed", False),
    "MisIDETLP": (29, "Misrouted IDE TLP", False),
    "PCRC_CHECK": (30, "PCRC Check Failed", False),
    "TLPXlatBlocked": (31, "TLP Translation Egress Blocked", False),
}
# The kernel's interface document shows other names than the kernel writes (misprint included); both are accepted.
# Source: Linux Documentation/ABI/testing/sysfs-bus-pci-devices-aer_stats.
CORRECTABLE_ERROR_ALIASES: Final[dict[str, str]] = {
    "Receiver Error": "RxErr",
    "Bad TLP": "BadTLP",
    "Bad DLLP": "BadDLLP",
    "RELAY_NUM Rollover": "Rollover",
    "Replay Timer Timeout": "Timeout",
    "Advisory Non-Fatal": "NonFatalErr",
    "Corrected Internal Error": "CorrIntErr",
    "Header Log Overflow": "HeaderOF",
}
UNCORRECTABLE_ERROR_ALIASES: Final[dict[str, str]] = {
    "Data Link Protocol": "DLP",
    "Surprise Down Error": "SDES",
    "Poisoned TLP": "TLP",
    "Flow Control Protocol": "FCP",
    "Completion Timeout": "CmpltTO",
    "Completer Abort": "CmpltAbrt",
    "Unexpected Completion": "UnxCmplt",
    "Receiver Overflow": "RxOF",
    "Malformed TLP": "MalfTLP",
    "Unsupported Request": "UnsupReq",
    "ACS Violation": "ACSViol",
    "Uncorrectable Internal Error": "UncorrIntErr",
    "MC Blocked TLP": "BlockedTLP",
    "AtomicOp Egress Blocked": "AtomicOpBlocked",
    "TLP Prefix Blocked Error": "TLPBlockedErr",
}

# Slot power limit: watts = value / divisor of the scale, but at scale 0 the values from F0h are steps of 25 W.
# Source: Linux drivers/pci/of.c of_pci_get_slot_power_limit; PCI Express Base, Slot Capabilities Register.
SLOT_POWER_DIVISORS: Final = (1, 10, 100, 1000)
SLOT_POWER_STEPS_FROM: Final = 0xF0
SLOT_POWER_STEPS: Final = tuple(range(250, 601, 25))
SLOT_POWER_ABOVE: Final = 0xFF


def slot_power_watts(value: int, scale: int) -> float | None:
    """The power a slot may give to its card, in watts.

    `value` and `scale` are the two fields of Slot Capabilities, or the captured pair of Device Capabilities.
    None where no figure is stated: value 0 (never set by firmware) and FFh at scale 0 (above 600 W, reserved).
    """
    if value == 0 or (scale == 0 and value == SLOT_POWER_ABOVE):
        return None
    if scale == 0 and value >= SLOT_POWER_STEPS_FROM:
        return float(SLOT_POWER_STEPS[value - SLOT_POWER_STEPS_FROM])
    return value / SLOT_POWER_DIVISORS[scale]
