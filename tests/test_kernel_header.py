"""Holds the register layouts against headers of the Linux kernel that are installed on this machine.

Sources: include/uapi/linux/pci_regs.h (as /usr/include/linux/pci_regs.h, and in packages of kernel headers) and
include/linux/nvme.h (in packages of kernel headers only). Where there is no header the tests are skipped.
"""

from __future__ import annotations

import ast
import operator
import re
from pathlib import Path
from typing import TYPE_CHECKING, Final

import pytest

from knowledge import nvme, pcie
from probes.decode import decode, encode

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from knowledge.layout import Layout

PCI_HEADERS: Final = (
    *Path("/usr/include/linux").glob("pci_regs.h"),
    *Path("/usr/src").glob("linux-headers-*/include/uapi/linux/pci_regs.h"),
)
NVME_HEADERS: Final = tuple(Path("/usr/src").glob("linux-headers-*/include/linux/nvme.h"))


# --- The little of C that the headers need ---------------------------------------------------------------------


OPERATIONS: Final[dict[type[ast.operator], Callable[[int, int], int]]] = {
    ast.BitAnd: operator.and_,
    ast.BitOr: operator.or_,
    ast.LShift: operator.lshift,
    ast.RShift: operator.rshift,
}


class Macros:
    """The numeric macros of a C header; those that cannot be evaluated count as absent."""

    def __init__(self, text: str) -> None:
        """Find the definitions; they are evaluated when asked for."""
        text = re.sub(r"/\*.*?\*/", " ", text, flags=re.DOTALL)
        self._plain: dict[str, str] = {}
        self._functions: dict[str, tuple[str, str]] = {}
        definition = re.compile(r"^#define[ \t]+(\w+)(?:\((\w+)\))?[ \t]+(\S.*?)[ \t]*$", re.MULTILINE)
        for name, parameter, body in definition.findall(text):
            body_in_python = re.sub(r"\b(0[xX][0-9a-fA-F]+|\d+)[uUlL]+\b", r"\1", body)
            if parameter:
                self._functions[name] = (parameter, body_in_python)
            else:
                self._plain[name] = body_in_python

    def __contains__(self, name: object) -> bool:
        """Whether the header defines this macro."""
        return name in self._plain or name in self._functions

    def number(self, name: str) -> int:
        """Evaluate a macro without a parameter."""
        return self._evaluate(ast.parse(self._plain[name], mode="eval").body, {})

    def function(self, name: str) -> Callable[[int], int]:
        """Give a macro with one parameter as a function."""
        parameter, body = self._functions[name]
        tree = ast.parse(body, mode="eval").body
        return lambda given: self._evaluate(tree, {parameter: given})

    def _evaluate(self, node: ast.expr, names: dict[str, int]) -> int:
        match node:
            case ast.Constant(value=int() as number):
                return number
            case ast.Name(id=name):
                return names[name] if name in names else self.number(name)
            case ast.UnaryOp(op=ast.Invert(), operand=operand):
                return ~self._evaluate(operand, names)
            case ast.BinOp(left=left, op=operation, right=right) if type(operation) in OPERATIONS:
                return OPERATIONS[type(operation)](self._evaluate(left, names), self._evaluate(right, names))
        raise ValueError(f"not an expression this test knows: {ast.dump(node)}")


C_SIZES: Final = {"__u8": 1, "char": 1, "__le16": 2, "__le32": 4, "__le64": 8}


def members(text: str, structure: str) -> dict[str, tuple[int, int]]:
    """Offset and size of each member of a C structure that has no padding (as those of nvme.h have none)."""
    text = re.sub(r"/\*.*?\*/", " ", text, flags=re.DOTALL)
    found = re.search(rf"^struct {structure} {{(.*?)^}};", text, re.DOTALL | re.MULTILINE)
    assert found is not None, structure
    places: dict[str, tuple[int, int]] = {}
    offset = 0
    for kind, name, count in re.findall(r"(\w+)\s+(\w+)(?:\[(\d+)\])?;", found[1]):
        size = C_SIZES[kind] if kind in C_SIZES else sum(size for _, size in members(text, kind).values())
        places[name] = (offset, size * int(count or 1))
        offset += size * int(count or 1)
    return places


# --- Macro of the header to our table ------------------------------------------------------------------------

# Identifier of a capability to the home of its registers.
HOMES: Final = {
    "PCI_CAP_ID_SSVID": pcie.BRIDGE_SUBSYSTEM_ID,
    "PCI_CAP_ID_EXP": pcie.LINK_STATUS,
    "PCI_EXT_CAP_ID_ERR": pcie.CORRECTABLE_ERROR_STATUS,
    "PCI_EXT_CAP_ID_DSN": pcie.DEVICE_SERIAL_NUMBER,
    "PCI_EXT_CAP_ID_VNDR": pcie.VENDOR_SPECIFIC_HEADER,
    "PCI_EXT_CAP_ID_SECPCI": pcie.LANE_ERROR_STATUS,
    "PCI_EXT_CAP_ID_DPC": pcie.DPC_STATUS,
    "PCI_EXT_CAP_ID_L1SS": pcie.L1_PM_SUBSTATES_CAPABILITIES,
    "PCI_EXT_CAP_ID_DLF": pcie.DATA_LINK_FEATURE_CAPABILITIES,
    "PCI_EXT_CAP_ID_PL_16GT": pcie.STATUS_16GT,
    "PCI_EXT_CAP_ID_PL_32GT": pcie.STATUS_32GT,
    "PCI_EXT_CAP_ID_PL_64GT": pcie.STATUS_64GT,
}

OFFSETS: Final = {
    "PCI_VENDOR_ID": pcie.VENDOR_ID,
    "PCI_DEVICE_ID": pcie.DEVICE_ID,
    "PCI_COMMAND": pcie.COMMAND,
    "PCI_STATUS": pcie.STATUS,
    "PCI_REVISION_ID": pcie.REVISION_ID,
    "PCI_CLASS_PROG": pcie.CLASS_CODE,
    "PCI_HEADER_TYPE": pcie.HEADER_TYPE,
    "PCI_CAPABILITY_LIST": pcie.CAPABILITIES_POINTER,
    "PCI_CB_CAPABILITY_LIST": pcie.CARDBUS_CAPABILITIES_POINTER,
    "PCI_SUBSYSTEM_VENDOR_ID": pcie.SUBSYSTEM_VENDOR_ID,
    "PCI_SUBSYSTEM_ID": pcie.SUBSYSTEM_ID,
    "PCI_PRIMARY_BUS": pcie.PRIMARY_BUS_NUMBER,
    "PCI_SECONDARY_BUS": pcie.SECONDARY_BUS_NUMBER,
    "PCI_SUBORDINATE_BUS": pcie.SUBORDINATE_BUS_NUMBER,
    "PCI_CB_PRIMARY_BUS": pcie.PRIMARY_BUS_NUMBER,
    "PCI_CB_CARD_BUS": pcie.SECONDARY_BUS_NUMBER,
    "PCI_CB_SUBORDINATE_BUS": pcie.SUBORDINATE_BUS_NUMBER,
    "PCI_SSVID_VENDOR_ID": pcie.BRIDGE_SUBSYSTEM_VENDOR_ID,
    "PCI_SSVID_DEVICE_ID": pcie.BRIDGE_SUBSYSTEM_ID,
    "PCI_EXP_FLAGS": pcie.PCI_EXPRESS_CAPABILITIES,
    "PCI_EXP_DEVCAP": pcie.DEVICE_CAPABILITIES,
    "PCI_EXP_DEVCTL": pcie.DEVICE_CONTROL,
    "PCI_EXP_DEVSTA": pcie.DEVICE_STATUS,
    "PCI_EXP_LNKCAP": pcie.LINK_CAPABILITIES,
    "PCI_EXP_LNKCTL": pcie.LINK_CONTROL,
    "PCI_EXP_LNKSTA": pcie.LINK_STATUS,
    "PCI_EXP_SLTCAP": pcie.SLOT_CAPABILITIES,
    "PCI_EXP_SLTCTL": pcie.SLOT_CONTROL,
    "PCI_EXP_SLTSTA": pcie.SLOT_STATUS,
    "PCI_EXP_RTCTL": pcie.ROOT_CONTROL,
    "PCI_EXP_RTCAP": pcie.ROOT_CAPABILITIES,
    "PCI_EXP_RTSTA": pcie.ROOT_STATUS,
    "PCI_EXP_DEVCAP2": pcie.DEVICE_CAPABILITIES_2,
    "PCI_EXP_DEVCTL2": pcie.DEVICE_CONTROL_2,
    "PCI_EXP_LNKCAP2": pcie.LINK_CAPABILITIES_2,
    "PCI_EXP_LNKCTL2": pcie.LINK_CONTROL_2,
    "PCI_EXP_LNKSTA2": pcie.LINK_STATUS_2,
    "PCI_EXP_SLTCAP2": pcie.SLOT_CAPABILITIES_2,
    "PCI_ERR_UNCOR_STATUS": pcie.UNCORRECTABLE_ERROR_STATUS,
    "PCI_ERR_UNCOR_MASK": pcie.UNCORRECTABLE_ERROR_MASK,
    "PCI_ERR_UNCOR_SEVER": pcie.UNCORRECTABLE_ERROR_SEVERITY,
    "PCI_ERR_COR_STATUS": pcie.CORRECTABLE_ERROR_STATUS,
    "PCI_ERR_COR_MASK": pcie.CORRECTABLE_ERROR_MASK,
    "PCI_ERR_CAP": pcie.ADVANCED_ERROR_CAPABILITIES,
    "PCI_ERR_HEADER_LOG": pcie.HEADER_LOG,
    "PCI_ERR_ROOT_COMMAND": pcie.ROOT_ERROR_COMMAND,
    "PCI_ERR_ROOT_STATUS": pcie.ROOT_ERROR_STATUS,
    "PCI_ERR_ROOT_ERR_SRC": pcie.ERROR_SOURCE_IDENTIFICATION,
    "PCI_VNDR_HEADER": pcie.VENDOR_SPECIFIC_HEADER,
    "PCI_EXP_DPC_STATUS": pcie.DPC_STATUS,
    "PCI_L1SS_CAP": pcie.L1_PM_SUBSTATES_CAPABILITIES,
    "PCI_L1SS_CTL1": pcie.L1_PM_SUBSTATES_CONTROL_1,
    "PCI_DLF_CAP": pcie.DATA_LINK_FEATURE_CAPABILITIES,
}

# Mask of a field, whole.
MASKS: Final = {
    pcie.COMMAND: {
        "PCI_COMMAND_IO": "io_space_enable",
        "PCI_COMMAND_MEMORY": "memory_space_enable",
        "PCI_COMMAND_MASTER": "bus_master_enable",
        "PCI_COMMAND_SPECIAL": "special_cycle_enable",
        "PCI_COMMAND_INVALIDATE": "memory_write_and_invalidate",
        "PCI_COMMAND_VGA_PALETTE": "vga_palette_snoop",
        "PCI_COMMAND_PARITY": "parity_error_response",
        "PCI_COMMAND_WAIT": "idsel_stepping_wait_cycle_control",
        "PCI_COMMAND_SERR": "serr_enable",
        "PCI_COMMAND_FAST_BACK": "fast_back_to_back_transactions_enable",
        "PCI_COMMAND_INTX_DISABLE": "interrupt_disable",
    },
    pcie.STATUS: {
        "PCI_STATUS_IMM_READY": "immediate_readiness",
        "PCI_STATUS_INTERRUPT": "interrupt_status",
        "PCI_STATUS_CAP_LIST": "capabilities_list",
        "PCI_STATUS_66MHZ": "capable_of_66_mhz",
        "PCI_STATUS_FAST_BACK": "fast_back_to_back_transactions_capable",
        "PCI_STATUS_PARITY": "master_data_parity_error",
        "PCI_STATUS_DEVSEL_MASK": "devsel_timing",
        "PCI_STATUS_SIG_TARGET_ABORT": "signaled_target_abort",
        "PCI_STATUS_REC_TARGET_ABORT": "received_target_abort",
        "PCI_STATUS_REC_MASTER_ABORT": "received_master_abort",
        "PCI_STATUS_SIG_SYSTEM_ERROR": "signaled_system_error",
        "PCI_STATUS_DETECTED_PARITY": "detected_parity_error",
    },
    pcie.HEADER_TYPE: {"PCI_HEADER_TYPE_MASK": "header_layout", "PCI_HEADER_TYPE_MFD": "multi_function"},
    pcie.PCI_EXPRESS_CAPABILITIES: {
        "PCI_EXP_FLAGS_VERS": "capability_version",
        "PCI_EXP_FLAGS_TYPE": "device_port_type",
        "PCI_EXP_FLAGS_SLOT": "slot_implemented",
        "PCI_EXP_FLAGS_IRQ": "interrupt_message_number",
        "PCI_EXP_FLAGS_FLIT": "flit_mode_supported",
    },
    pcie.DEVICE_CAPABILITIES: {
        "PCI_EXP_DEVCAP_PAYLOAD": "max_payload_size_supported",
        "PCI_EXP_DEVCAP_PHANTOM": "phantom_functions_supported",
        "PCI_EXP_DEVCAP_EXT_TAG": "extended_tag_field_supported",
        "PCI_EXP_DEVCAP_L0S": "endpoint_l0s_acceptable_latency",
        "PCI_EXP_DEVCAP_L1": "endpoint_l1_acceptable_latency",
        "PCI_EXP_DEVCAP_RBER": "role_based_error_reporting",
        "PCI_EXP_DEVCAP_PWR_VAL": "captured_slot_power_limit_value",
        "PCI_EXP_DEVCAP_PWR_SCL": "captured_slot_power_limit_scale",
        "PCI_EXP_DEVCAP_FLR": "function_level_reset_capability",
    },
    pcie.DEVICE_CONTROL: {
        "PCI_EXP_DEVCTL_CERE": "correctable_error_reporting_enable",
        "PCI_EXP_DEVCTL_NFERE": "non_fatal_error_reporting_enable",
        "PCI_EXP_DEVCTL_FERE": "fatal_error_reporting_enable",
        "PCI_EXP_DEVCTL_URRE": "unsupported_request_reporting_enable",
        "PCI_EXP_DEVCTL_RELAX_EN": "enable_relaxed_ordering",
        "PCI_EXP_DEVCTL_PAYLOAD": "max_payload_size",
        "PCI_EXP_DEVCTL_EXT_TAG": "extended_tag_field_enable",
        "PCI_EXP_DEVCTL_PHANTOM": "phantom_functions_enable",
        "PCI_EXP_DEVCTL_AUX_PME": "aux_power_pm_enable",
        "PCI_EXP_DEVCTL_NOSNOOP_EN": "enable_no_snoop",
        "PCI_EXP_DEVCTL_READRQ": "max_read_request_size",
        "PCI_EXP_DEVCTL_BCR_FLR": "bridge_configuration_retry_enable_or_initiate_function_level_reset",
    },
    pcie.DEVICE_STATUS: {
        "PCI_EXP_DEVSTA_CED": "correctable_error_detected",
        "PCI_EXP_DEVSTA_NFED": "non_fatal_error_detected",
        "PCI_EXP_DEVSTA_FED": "fatal_error_detected",
        "PCI_EXP_DEVSTA_URD": "unsupported_request_detected",
        "PCI_EXP_DEVSTA_AUXPD": "aux_power_detected",
        "PCI_EXP_DEVSTA_TRPND": "transactions_pending",
    },
    pcie.LINK_CAPABILITIES: {
        "PCI_EXP_LNKCAP_SLS": "max_link_speed",
        "PCI_EXP_LNKCAP_MLW": "maximum_link_width",
        "PCI_EXP_LNKCAP_ASPMS": "active_state_power_management_support",
        "PCI_EXP_LNKCAP_L0SEL": "l0s_exit_latency",
        "PCI_EXP_LNKCAP_L1EL": "l1_exit_latency",
        "PCI_EXP_LNKCAP_CLKPM": "clock_power_management",
        "PCI_EXP_LNKCAP_SDERC": "surprise_down_error_reporting_capable",
        "PCI_EXP_LNKCAP_DLLLARC": "data_link_layer_link_active_reporting_capable",
        "PCI_EXP_LNKCAP_LBNC": "link_bandwidth_notification_capability",
        "PCI_EXP_LNKCAP_PN": "port_number",
    },
    pcie.LINK_CONTROL: {
        "PCI_EXP_LNKCTL_ASPMC": "active_state_power_management_control",
        "PCI_EXP_LNKCTL_RCB": "read_completion_boundary",
        "PCI_EXP_LNKCTL_LD": "link_disable",
        "PCI_EXP_LNKCTL_RL": "retrain_link",
        "PCI_EXP_LNKCTL_CCC": "common_clock_configuration",
        "PCI_EXP_LNKCTL_ES": "extended_synch",
        "PCI_EXP_LNKCTL_CLKREQ_EN": "enable_clock_power_management",
        "PCI_EXP_LNKCTL_HAWD": "hardware_autonomous_width_disable",
        "PCI_EXP_LNKCTL_LBMIE": "link_bandwidth_management_interrupt_enable",
        "PCI_EXP_LNKCTL_LABIE": "link_autonomous_bandwidth_interrupt_enable",
    },
    pcie.LINK_STATUS: {
        "PCI_EXP_LNKSTA_CLS": "current_link_speed",
        "PCI_EXP_LNKSTA_NLW": "negotiated_link_width",
        "PCI_EXP_LNKSTA_LT": "link_training",
        "PCI_EXP_LNKSTA_SLC": "slot_clock_configuration",
        "PCI_EXP_LNKSTA_DLLLA": "data_link_layer_link_active",
        "PCI_EXP_LNKSTA_LBMS": "link_bandwidth_management_status",
        "PCI_EXP_LNKSTA_LABS": "link_autonomous_bandwidth_status",
    },
    pcie.SLOT_CAPABILITIES: {
        "PCI_EXP_SLTCAP_ABP": "attention_button_present",
        "PCI_EXP_SLTCAP_PCP": "power_controller_present",
        "PCI_EXP_SLTCAP_MRLSP": "mrl_sensor_present",
        "PCI_EXP_SLTCAP_AIP": "attention_indicator_present",
        "PCI_EXP_SLTCAP_PIP": "power_indicator_present",
        "PCI_EXP_SLTCAP_HPS": "hot_plug_surprise",
        "PCI_EXP_SLTCAP_HPC": "hot_plug_capable",
        "PCI_EXP_SLTCAP_SPLV": "slot_power_limit_value",
        "PCI_EXP_SLTCAP_SPLS": "slot_power_limit_scale",
        "PCI_EXP_SLTCAP_EIP": "electromechanical_interlock_present",
        "PCI_EXP_SLTCAP_NCCS": "no_command_completed_support",
        "PCI_EXP_SLTCAP_PSN": "physical_slot_number",
    },
    pcie.SLOT_CONTROL: {
        "PCI_EXP_SLTCTL_ABPE": "attention_button_pressed_enable",
        "PCI_EXP_SLTCTL_PFDE": "power_fault_detected_enable",
        "PCI_EXP_SLTCTL_MRLSCE": "mrl_sensor_changed_enable",
        "PCI_EXP_SLTCTL_PDCE": "presence_detect_changed_enable",
        "PCI_EXP_SLTCTL_CCIE": "command_completed_interrupt_enable",
        "PCI_EXP_SLTCTL_HPIE": "hot_plug_interrupt_enable",
        "PCI_EXP_SLTCTL_AIC": "attention_indicator_control",
        "PCI_EXP_SLTCTL_PIC": "power_indicator_control",
        "PCI_EXP_SLTCTL_PCC": "power_controller_control",
        "PCI_EXP_SLTCTL_EIC": "electromechanical_interlock_control",
        "PCI_EXP_SLTCTL_DLLSCE": "data_link_layer_state_changed_enable",
        "PCI_EXP_SLTCTL_ASPL_DISABLE": "auto_slot_power_limit_disable",
        "PCI_EXP_SLTCTL_IBPD_DISABLE": "in_band_presence_detect_disable",
    },
    pcie.SLOT_STATUS: {
        "PCI_EXP_SLTSTA_ABP": "attention_button_pressed",
        "PCI_EXP_SLTSTA_PFD": "power_fault_detected",
        "PCI_EXP_SLTSTA_MRLSC": "mrl_sensor_changed",
        "PCI_EXP_SLTSTA_PDC": "presence_detect_changed",
        "PCI_EXP_SLTSTA_CC": "command_completed",
        "PCI_EXP_SLTSTA_MRLSS": "mrl_sensor_state",
        "PCI_EXP_SLTSTA_PDS": "presence_detect_state",
        "PCI_EXP_SLTSTA_EIS": "electromechanical_interlock_status",
        "PCI_EXP_SLTSTA_DLLSC": "data_link_layer_state_changed",
    },
    pcie.ROOT_CONTROL: {
        "PCI_EXP_RTCTL_SECEE": "system_error_on_correctable_error_enable",
        "PCI_EXP_RTCTL_SENFEE": "system_error_on_non_fatal_error_enable",
        "PCI_EXP_RTCTL_SEFEE": "system_error_on_fatal_error_enable",
        "PCI_EXP_RTCTL_PMEIE": "pme_interrupt_enable",
        "PCI_EXP_RTCTL_CRSSVE": "configuration_request_retry_status_software_visibility_enable",
        "PCI_EXP_RTCTL_RRS_SVE": "configuration_request_retry_status_software_visibility_enable",
    },
    pcie.ROOT_CAPABILITIES: {
        "PCI_EXP_RTCAP_CRSVIS": "configuration_request_retry_status_software_visibility",
        "PCI_EXP_RTCAP_RRS_SV": "configuration_request_retry_status_software_visibility",
    },
    pcie.ROOT_STATUS: {
        "PCI_EXP_RTSTA_PME_RQ_ID": "pme_requester_id",
        "PCI_EXP_RTSTA_PME": "pme_status",
        "PCI_EXP_RTSTA_PENDING": "pme_pending",
    },
    pcie.DEVICE_CAPABILITIES_2: {
        "PCI_EXP_DEVCAP2_COMP_TMOUT_DIS": "completion_timeout_disable_supported",
        "PCI_EXP_DEVCAP2_ARI": "ari_forwarding_supported",
        "PCI_EXP_DEVCAP2_ATOMIC_ROUTE": "atomicop_routing_supported",
        "PCI_EXP_DEVCAP2_ATOMIC_COMP32": "atomicop_completer_32_bit_supported",
        "PCI_EXP_DEVCAP2_ATOMIC_COMP64": "atomicop_completer_64_bit_supported",
        "PCI_EXP_DEVCAP2_ATOMIC_COMP128": "cas_completer_128_bit_supported",
        "PCI_EXP_DEVCAP2_LTR": "ltr_mechanism_supported",
        "PCI_EXP_DEVCAP2_OBFF_MASK": "obff_supported",
        "PCI_EXP_DEVCAP2_EE_PREFIX": "end_end_tlp_prefix_supported",
        "PCI_EXP_DEVCAP2_EE_PREFIX_MAX": "max_end_end_tlp_prefixes",
    },
    pcie.DEVICE_CONTROL_2: {
        "PCI_EXP_DEVCTL2_COMP_TIMEOUT": "completion_timeout_value",
        "PCI_EXP_DEVCTL2_COMP_TMOUT_DIS": "completion_timeout_disable",
        "PCI_EXP_DEVCTL2_ARI": "ari_forwarding_enable",
        "PCI_EXP_DEVCTL2_ATOMIC_REQ": "atomicop_requester_enable",
        "PCI_EXP_DEVCTL2_ATOMIC_EGRESS_BLOCK": "atomicop_egress_blocking",
        "PCI_EXP_DEVCTL2_IDO_REQ_EN": "ido_request_enable",
        "PCI_EXP_DEVCTL2_IDO_CMP_EN": "ido_completion_enable",
        "PCI_EXP_DEVCTL2_LTR_EN": "ltr_mechanism_enable",
        "PCI_EXP_DEVCTL2_OBFF_WAKE_EN": "obff_enable",
        "PCI_EXP_DEVCTL2_EE_TLP_PREFIX_BLK": "end_end_tlp_prefix_blocking",
    },
    pcie.LINK_CAPABILITIES_2: {
        "PCI_EXP_LNKCAP2_SLS": "supported_link_speeds_vector",
        "PCI_EXP_LNKCAP2_CROSSLINK": "crosslink_supported",
    },
    pcie.LINK_CONTROL_2: {
        "PCI_EXP_LNKCTL2_TLS": "target_link_speed",
        "PCI_EXP_LNKCTL2_ENTER_COMP": "enter_compliance",
        "PCI_EXP_LNKCTL2_HASD": "hardware_autonomous_speed_disable",
        "PCI_EXP_LNKCTL2_TX_MARGIN": "transmit_margin",
    },
    pcie.LINK_STATUS_2: {"PCI_EXP_LNKSTA2_FLIT": "flit_mode_status"},
    pcie.SLOT_CAPABILITIES_2: {"PCI_EXP_SLTCAP2_IBPD": "in_band_presence_detect_disable_supported"},
    pcie.ADVANCED_ERROR_CAPABILITIES: {
        "PCI_ERR_CAP_ECRC_GENC": "ecrc_generation_capable",
        "PCI_ERR_CAP_ECRC_GENE": "ecrc_generation_enable",
        "PCI_ERR_CAP_ECRC_CHKC": "ecrc_check_capable",
        "PCI_ERR_CAP_ECRC_CHKE": "ecrc_check_enable",
    },
    pcie.ROOT_ERROR_COMMAND: {
        "PCI_ERR_ROOT_CMD_COR_EN": "correctable_error_reporting_enable",
        "PCI_ERR_ROOT_CMD_NONFATAL_EN": "non_fatal_error_reporting_enable",
        "PCI_ERR_ROOT_CMD_FATAL_EN": "fatal_error_reporting_enable",
    },
    pcie.ROOT_ERROR_STATUS: {
        "PCI_ERR_ROOT_COR_RCV": "err_cor_received",
        "PCI_ERR_ROOT_MULTI_COR_RCV": "multiple_err_cor_received",
        "PCI_ERR_ROOT_UNCOR_RCV": "err_fatal_nonfatal_received",
        "PCI_ERR_ROOT_MULTI_UNCOR_RCV": "multiple_err_fatal_nonfatal_received",
        "PCI_ERR_ROOT_FIRST_FATAL": "first_uncorrectable_fatal",
        "PCI_ERR_ROOT_NONFATAL_RCV": "non_fatal_error_messages_received",
        "PCI_ERR_ROOT_FATAL_RCV": "fatal_error_messages_received",
        "PCI_ERR_ROOT_AER_IRQ": "advanced_error_interrupt_message_number",
    },
    pcie.DPC_STATUS: {
        "PCI_EXP_DPC_STATUS_TRIGGER": "dpc_trigger_status",
        "PCI_EXP_DPC_STATUS_TRIGGER_RSN": "dpc_trigger_reason",
        "PCI_EXP_DPC_STATUS_INTERRUPT": "dpc_interrupt_status",
        "PCI_EXP_DPC_RP_BUSY": "dpc_rp_busy",
        "PCI_EXP_DPC_STATUS_TRIGGER_RSN_EXT": "dpc_trigger_reason_extension",
        "PCI_EXP_DPC_RP_PIO_FEP": "rp_pio_first_error_pointer",
    },
    pcie.L1_PM_SUBSTATES_CAPABILITIES: {
        "PCI_L1SS_CAP_PCIPM_L1_2": "pci_pm_l1_2_supported",
        "PCI_L1SS_CAP_PCIPM_L1_1": "pci_pm_l1_1_supported",
        "PCI_L1SS_CAP_ASPM_L1_2": "aspm_l1_2_supported",
        "PCI_L1SS_CAP_ASPM_L1_1": "aspm_l1_1_supported",
        "PCI_L1SS_CAP_L1_PM_SS": "l1_pm_substates_supported",
        "PCI_L1SS_CAP_CM_RESTORE_TIME": "port_common_mode_restore_time",
        "PCI_L1SS_CAP_P_PWR_ON_SCALE": "port_t_power_on_scale",
        "PCI_L1SS_CAP_P_PWR_ON_VALUE": "port_t_power_on_value",
    },
    pcie.L1_PM_SUBSTATES_CONTROL_1: {
        "PCI_L1SS_CTL1_PCIPM_L1_2": "pci_pm_l1_2_enable",
        "PCI_L1SS_CTL1_PCIPM_L1_1": "pci_pm_l1_1_enable",
        "PCI_L1SS_CTL1_ASPM_L1_2": "aspm_l1_2_enable",
        "PCI_L1SS_CTL1_ASPM_L1_1": "aspm_l1_1_enable",
        "PCI_L1SS_CTL1_CM_RESTORE_TIME": "common_mode_restore_time",
        "PCI_L1SS_CTL1_LTR_L12_TH_VALUE": "ltr_l1_2_threshold_value",
        "PCI_L1SS_CTL1_LTR_L12_TH_SCALE": "ltr_l1_2_threshold_scale",
    },
    pcie.DATA_LINK_FEATURE_CAPABILITIES: {"PCI_DLF_EXCHANGE_ENABLE": "data_link_feature_exchange_enable"},
}

# The same bits in status, mask and severity.
UNCORRECTABLE: Final = {
    "PCI_ERR_UNC_DLP": "data_link_protocol_error",
    "PCI_ERR_UNC_SURPDN": "surprise_down_error",
    "PCI_ERR_UNC_POISON_TLP": "poisoned_tlp_received",
    "PCI_ERR_UNC_FCP": "flow_control_protocol_error",
    "PCI_ERR_UNC_COMP_TIME": "completion_timeout",
    "PCI_ERR_UNC_COMP_ABORT": "completer_abort",
    "PCI_ERR_UNC_UNX_COMP": "unexpected_completion",
    "PCI_ERR_UNC_RX_OVER": "receiver_overflow",
    "PCI_ERR_UNC_MALF_TLP": "malformed_tlp",
    "PCI_ERR_UNC_ECRC": "ecrc_error",
    "PCI_ERR_UNC_UNSUP": "unsupported_request_error",
    "PCI_ERR_UNC_ACSV": "acs_violation",
    "PCI_ERR_UNC_INTN": "uncorrectable_internal_error",
    "PCI_ERR_UNC_MCBTLP": "mc_blocked_tlp",
    "PCI_ERR_UNC_ATOMEG": "atomicop_egress_blocked",
    "PCI_ERR_UNC_TLPPRE": "tlp_prefix_blocked_error",
}
CORRECTABLE: Final = {
    "PCI_ERR_COR_RCVR": "receiver_error",
    "PCI_ERR_COR_BAD_TLP": "bad_tlp",
    "PCI_ERR_COR_BAD_DLLP": "bad_dllp",
    "PCI_ERR_COR_REP_ROLL": "replay_num_rollover",
    "PCI_ERR_COR_REP_TIMER": "replay_timer_timeout",
    "PCI_ERR_COR_ADV_NFAT": "advisory_non_fatal_error",
    "PCI_ERR_COR_INTERNAL": "corrected_internal_error",
    "PCI_ERR_COR_LOG_OVER": "header_log_overflow",
}

# One value of a field, in its place.
VALUES: Final = {
    "PCI_EXP_DEVCTL_PAYLOAD_128B": (pcie.DEVICE_CONTROL, "max_payload_size", 0),
    "PCI_EXP_DEVCTL_PAYLOAD_256B": (pcie.DEVICE_CONTROL, "max_payload_size", 1),
    "PCI_EXP_DEVCTL_PAYLOAD_512B": (pcie.DEVICE_CONTROL, "max_payload_size", 2),
    "PCI_EXP_DEVCTL_PAYLOAD_1024B": (pcie.DEVICE_CONTROL, "max_payload_size", 3),
    "PCI_EXP_DEVCTL_PAYLOAD_2048B": (pcie.DEVICE_CONTROL, "max_payload_size", 4),
    "PCI_EXP_DEVCTL_PAYLOAD_4096B": (pcie.DEVICE_CONTROL, "max_payload_size", 5),
    "PCI_EXP_DEVCTL_READRQ_128B": (pcie.DEVICE_CONTROL, "max_read_request_size", 0),
    "PCI_EXP_DEVCTL_READRQ_256B": (pcie.DEVICE_CONTROL, "max_read_request_size", 1),
    "PCI_EXP_DEVCTL_READRQ_512B": (pcie.DEVICE_CONTROL, "max_read_request_size", 2),
    "PCI_EXP_DEVCTL_READRQ_1024B": (pcie.DEVICE_CONTROL, "max_read_request_size", 3),
    "PCI_EXP_DEVCTL_READRQ_2048B": (pcie.DEVICE_CONTROL, "max_read_request_size", 4),
    "PCI_EXP_DEVCTL_READRQ_4096B": (pcie.DEVICE_CONTROL, "max_read_request_size", 5),
    "PCI_EXP_LNKCAP_ASPM_L0S": (pcie.LINK_CAPABILITIES, "active_state_power_management_support", 1),
    "PCI_EXP_LNKCAP_ASPM_L1": (pcie.LINK_CAPABILITIES, "active_state_power_management_support", 2),
    "PCI_EXP_LNKCTL_ASPM_L0S": (pcie.LINK_CONTROL, "active_state_power_management_control", 1),
    "PCI_EXP_LNKCTL_ASPM_L1": (pcie.LINK_CONTROL, "active_state_power_management_control", 2),
    "PCI_EXP_LNKCAP_SLS_2_5GB": (pcie.LINK_CAPABILITIES, "max_link_speed", 1),
    "PCI_EXP_LNKCAP_SLS_64_0GB": (pcie.LINK_CAPABILITIES, "max_link_speed", 6),
    "PCI_EXP_LNKSTA_CLS_2_5GB": (pcie.LINK_STATUS, "current_link_speed", 1),
    "PCI_EXP_LNKSTA_CLS_5_0GB": (pcie.LINK_STATUS, "current_link_speed", 2),
    "PCI_EXP_LNKSTA_CLS_8_0GB": (pcie.LINK_STATUS, "current_link_speed", 3),
    "PCI_EXP_LNKSTA_CLS_16_0GB": (pcie.LINK_STATUS, "current_link_speed", 4),
    "PCI_EXP_LNKSTA_CLS_32_0GB": (pcie.LINK_STATUS, "current_link_speed", 5),
    "PCI_EXP_LNKSTA_CLS_64_0GB": (pcie.LINK_STATUS, "current_link_speed", 6),
    "PCI_EXP_LNKSTA_NLW_X1": (pcie.LINK_STATUS, "negotiated_link_width", 1),
    "PCI_EXP_LNKSTA_NLW_X2": (pcie.LINK_STATUS, "negotiated_link_width", 2),
    "PCI_EXP_LNKSTA_NLW_X4": (pcie.LINK_STATUS, "negotiated_link_width", 4),
    "PCI_EXP_LNKSTA_NLW_X8": (pcie.LINK_STATUS, "negotiated_link_width", 8),
    "PCI_EXP_SLTCTL_ATTN_IND_ON": (pcie.SLOT_CONTROL, "attention_indicator_control", 1),
    "PCI_EXP_SLTCTL_ATTN_IND_BLINK": (pcie.SLOT_CONTROL, "attention_indicator_control", 2),
    "PCI_EXP_SLTCTL_ATTN_IND_OFF": (pcie.SLOT_CONTROL, "attention_indicator_control", 3),
    "PCI_EXP_SLTCTL_PWR_IND_ON": (pcie.SLOT_CONTROL, "power_indicator_control", 1),
    "PCI_EXP_SLTCTL_PWR_IND_OFF": (pcie.SLOT_CONTROL, "power_indicator_control", 3),
    "PCI_EXP_SLTCTL_PWR_OFF": (pcie.SLOT_CONTROL, "power_controller_control", 1),
    "PCI_EXP_DEVCAP2_OBFF_MSG": (pcie.DEVICE_CAPABILITIES_2, "obff_supported", 1),
    "PCI_EXP_DEVCAP2_OBFF_WAKE": (pcie.DEVICE_CAPABILITIES_2, "obff_supported", 2),
    "PCI_EXP_DEVCTL2_OBFF_MSGA_EN": (pcie.DEVICE_CONTROL_2, "obff_enable", 1),
    "PCI_EXP_DEVCTL2_OBFF_MSGB_EN": (pcie.DEVICE_CONTROL_2, "obff_enable", 2),
    "PCI_EXP_LNKCAP2_SLS_2_5GB": (pcie.LINK_CAPABILITIES_2, "supported_link_speeds_vector", 0b000001),
    "PCI_EXP_LNKCAP2_SLS_5_0GB": (pcie.LINK_CAPABILITIES_2, "supported_link_speeds_vector", 0b000010),
    "PCI_EXP_LNKCAP2_SLS_8_0GB": (pcie.LINK_CAPABILITIES_2, "supported_link_speeds_vector", 0b000100),
    "PCI_EXP_LNKCAP2_SLS_16_0GB": (pcie.LINK_CAPABILITIES_2, "supported_link_speeds_vector", 0b001000),
    "PCI_EXP_LNKCAP2_SLS_32_0GB": (pcie.LINK_CAPABILITIES_2, "supported_link_speeds_vector", 0b010000),
    "PCI_EXP_LNKCAP2_SLS_64_0GB": (pcie.LINK_CAPABILITIES_2, "supported_link_speeds_vector", 0b100000),
    "PCI_EXP_LNKCTL2_TLS_2_5GT": (pcie.LINK_CONTROL_2, "target_link_speed", 1),
    "PCI_EXP_LNKCTL2_TLS_5_0GT": (pcie.LINK_CONTROL_2, "target_link_speed", 2),
    "PCI_EXP_LNKCTL2_TLS_8_0GT": (pcie.LINK_CONTROL_2, "target_link_speed", 3),
    "PCI_EXP_LNKCTL2_TLS_16_0GT": (pcie.LINK_CONTROL_2, "target_link_speed", 4),
    "PCI_EXP_LNKCTL2_TLS_32_0GT": (pcie.LINK_CONTROL_2, "target_link_speed", 5),
    "PCI_EXP_LNKCTL2_TLS_64_0GT": (pcie.LINK_CONTROL_2, "target_link_speed", 6),
}

# Macros with a parameter, which take a field out of its register.
FUNCTIONS: Final = {
    "PCI_VNDR_HEADER_ID": (pcie.VENDOR_SPECIFIC_HEADER, "vsec_id"),
    "PCI_VNDR_HEADER_REV": (pcie.VENDOR_SPECIFIC_HEADER, "vsec_revision"),
    "PCI_VNDR_HEADER_LEN": (pcie.VENDOR_SPECIFIC_HEADER, "vsec_length"),
    "PCI_ERR_CAP_FEP": (pcie.ADVANCED_ERROR_CAPABILITIES, "first_error_pointer"),
}

CONSTANTS: Final = {
    "PCI_EXP_TYPE_ENDPOINT": pcie.ENDPOINT,
    "PCI_EXP_TYPE_LEG_END": pcie.LEGACY_ENDPOINT,
    "PCI_EXP_TYPE_ROOT_PORT": pcie.ROOT_PORT,
    "PCI_EXP_TYPE_UPSTREAM": pcie.SWITCH_UPSTREAM_PORT,
    "PCI_EXP_TYPE_DOWNSTREAM": pcie.SWITCH_DOWNSTREAM_PORT,
    "PCI_EXP_TYPE_PCI_BRIDGE": pcie.BRIDGE_TO_PCI,
    "PCI_EXP_TYPE_PCIE_BRIDGE": pcie.BRIDGE_FROM_PCI,
    "PCI_EXP_TYPE_RC_END": pcie.INTEGRATED_ENDPOINT,
    "PCI_EXP_TYPE_RC_EC": pcie.EVENT_COLLECTOR,
}


def fields_by_macro() -> Iterator[tuple[str, Layout, str]]:
    """All macros that mask a whole field, with the register and the field."""
    for layout, macros in MASKS.items():
        for macro, field in macros.items():
            yield macro, layout, field
    for layout, suffix in (
        (pcie.UNCORRECTABLE_ERROR_STATUS, "status"),
        (pcie.UNCORRECTABLE_ERROR_MASK, "mask"),
        (pcie.UNCORRECTABLE_ERROR_SEVERITY, "severity"),
    ):
        for macro, field in UNCORRECTABLE.items():
            yield macro, layout, f"{field}_{suffix}"
    for layout, suffix in ((pcie.CORRECTABLE_ERROR_STATUS, "status"), (pcie.CORRECTABLE_ERROR_MASK, "mask")):
        for macro, field in CORRECTABLE.items():
            yield macro, layout, f"{field}_{suffix}"


# --- Tests -----------------------------------------------------------------------------------------------------


@pytest.fixture(params=PCI_HEADERS or (None,), ids=str)
def macros(request: pytest.FixtureRequest) -> Macros:
    """The macros of one pci_regs.h."""
    path: Path | None = request.param
    if path is None:
        pytest.skip("no pci_regs.h on this machine")
    return Macros(path.read_text(encoding="utf-8"))


@pytest.fixture(params=NVME_HEADERS or (None,), ids=str)
def nvme_header(request: pytest.FixtureRequest) -> str:
    """The text of one nvme.h."""
    path: Path | None = request.param
    if path is None:
        pytest.skip("no nvme.h on this machine (it comes with packages of kernel headers)")
    return path.read_text(encoding="utf-8")


def test_capabilities_have_the_identifiers_of_the_kernel(macros: Macros) -> None:
    """The home of a register is named by the identifier that the kernel gives to its capability."""
    for macro, layout in HOMES.items():
        if macro in macros:
            digits = 4 if macro.startswith("PCI_EXT") else 2
            assert f"{macros.number(macro):0{digits}X}" == layout.home.split()[1], macro


def test_registers_have_the_offsets_of_the_kernel(macros: Macros) -> None:
    """Each register stands where the kernel's header has it."""
    expected = {macro: macros.number(macro) for macro in OFFSETS if macro in macros}
    assert expected == {macro: OFFSETS[macro].offset for macro in expected}


def test_fields_have_the_masks_of_the_kernel(macros: Macros) -> None:
    """Each field covers exactly the bits of the kernel's mask."""
    for macro, layout, field in fields_by_macro():
        if macro in macros:
            width = layout.index[field].width
            ours = int.from_bytes(encode(layout, {field: (1 << width) - 1}), "little")
            assert hex(macros.number(macro)) == hex(ours), macro


def test_values_decode_to_what_the_kernel_calls_them(macros: Macros) -> None:
    """A value that the kernel names is decoded to that value of that field, and to 0 in all others."""
    for macro, (layout, field, number) in VALUES.items():
        if macro in macros:
            data = macros.number(macro).to_bytes(layout.size, "little")
            assert {**dict.fromkeys(layout.index, 0), field: number} == decode(layout, data), macro


def test_fields_are_taken_out_as_the_kernel_does(macros: Macros) -> None:
    """Each bit of a register reaches the field that the kernel's macro takes it to."""
    for macro, (layout, field) in FUNCTIONS.items():
        if macro in macros:
            take = macros.function(macro)
            for bit in range(8 * layout.size):
                number = 1 << bit
                assert take(number) == decode(layout, number.to_bytes(layout.size, "little"))[field], (macro, bit)


def test_port_types_have_the_numbers_of_the_kernel(macros: Macros) -> None:
    """The device and port types are numbered as in the kernel's header, and all of them have a name."""
    expected = {macro: macros.number(macro) for macro in CONSTANTS if macro in macros}
    assert expected == {macro: CONSTANTS[macro] for macro in expected}
    assert set(expected.values()) == set(pcie.PORT_TYPES)


def test_enough_macros_are_compared(macros: Macros) -> None:
    """Most macros named here are in the header, and no register of the PCI Express capability goes without one."""
    named = {*HOMES, *OFFSETS, *VALUES, *FUNCTIONS, *CONSTANTS, *(macro for macro, _, _ in fields_by_macro())}
    compared = {macro for macro in named if macro in macros}
    assert len(compared) > 250, f"only {len(compared)} of {len(named)} macros are in this header"
    assert {layout for layout in pcie.ALL_LAYOUTS if layout.home == "capability 10"} <= set(OFFSETS.values())


IDENTIFY_MEMBERS: Final = {
    "vid": nvme.PCI_VENDOR_ID,
    "ssvid": nvme.PCI_SUBSYSTEM_VENDOR_ID,
    "sn": nvme.SERIAL_NUMBER,
    "mn": nvme.MODEL_NUMBER,
    "fr": nvme.FIRMWARE_REVISION,
    "mdts": nvme.MAXIMUM_DATA_TRANSFER_SIZE,
    "cntlid": nvme.CONTROLLER_ID,
    "ver": nvme.VERSION,
    "rtd3r": nvme.RTD3_RESUME_LATENCY,
    "rtd3e": nvme.RTD3_ENTRY_LATENCY,
    "ctratt": nvme.CONTROLLER_ATTRIBUTES,
    "oacs": nvme.OPTIONAL_ADMIN_COMMAND_SUPPORT,
    "frmw": nvme.FIRMWARE_UPDATES,
    "lpa": nvme.LOG_PAGE_ATTRIBUTES,
    "npss": nvme.NUMBER_OF_POWER_STATES,
    "apsta": nvme.AUTONOMOUS_POWER_STATE_TRANSITION_ATTRIBUTES,
    "wctemp": nvme.WARNING_TEMPERATURE,
    "cctemp": nvme.CRITICAL_TEMPERATURE,
    "tnvmcap": nvme.TOTAL_NVM_CAPACITY,
    "hctma": nvme.HOST_CONTROLLED_THERMAL_MANAGEMENT_ATTRIBUTES,
    "mntmt": nvme.MINIMUM_THERMAL_MANAGEMENT_TEMPERATURE,
    "mxtmt": nvme.MAXIMUM_THERMAL_MANAGEMENT_TEMPERATURE,
    "nn": nvme.NUMBER_OF_NAMESPACES,
    "vwc": nvme.VOLATILE_WRITE_CACHE,
    "subnqn": nvme.NVM_SUBSYSTEM_NAME,
}
POWER_STATE_MEMBERS: Final = {
    "max_power": nvme.MAXIMUM_POWER,
    "flags": nvme.POWER_STATE_FLAGS,
    "entry_lat": nvme.ENTRY_LATENCY,
    "exit_lat": nvme.EXIT_LATENCY,
    "read_tput": nvme.RELATIVE_READ_THROUGHPUT,
    "read_lat": nvme.RELATIVE_READ_LATENCY,
    "write_tput": nvme.RELATIVE_WRITE_THROUGHPUT,
    "write_lat": nvme.RELATIVE_WRITE_LATENCY,
    "idle_power": nvme.IDLE_POWER,
    "idle_scale": nvme.IDLE_POWER_SCALE,
    "active_power": nvme.ACTIVE_POWER,
    "active_work_scale": nvme.ACTIVE_POWER_SCALE,
}
HEALTH_MEMBERS: Final = {
    "critical_warning": nvme.CRITICAL_WARNING,
    "temperature": nvme.COMPOSITE_TEMPERATURE,
    "avail_spare": nvme.AVAILABLE_SPARE,
    "spare_thresh": nvme.AVAILABLE_SPARE_THRESHOLD,
    "percent_used": nvme.PERCENTAGE_USED,
    "endu_grp_crit_warn_sumry": nvme.ENDURANCE_GROUP_CRITICAL_WARNING_SUMMARY,
    "data_units_read": nvme.DATA_UNITS_READ,
    "data_units_written": nvme.DATA_UNITS_WRITTEN,
    "host_reads": nvme.HOST_READ_COMMANDS,
    "host_writes": nvme.HOST_WRITE_COMMANDS,
    "ctrl_busy_time": nvme.CONTROLLER_BUSY_TIME,
    "power_cycles": nvme.POWER_CYCLES,
    "power_on_hours": nvme.POWER_ON_HOURS,
    "unsafe_shutdowns": nvme.UNSAFE_SHUTDOWNS,
    "media_errors": nvme.MEDIA_AND_DATA_INTEGRITY_ERRORS,
    "num_err_log_entries": nvme.NUMBER_OF_ERROR_INFORMATION_LOG_ENTRIES,
    "warning_temp_time": nvme.WARNING_COMPOSITE_TEMPERATURE_TIME,
    "critical_comp_time": nvme.CRITICAL_COMPOSITE_TEMPERATURE_TIME,
    "thm_temp1_trans_count": nvme.THERMAL_MANAGEMENT_TEMPERATURE_1_TRANSITION_COUNT,
    "thm_temp2_trans_count": nvme.THERMAL_MANAGEMENT_TEMPERATURE_2_TRANSITION_COUNT,
    "thm_temp1_total_time": nvme.TOTAL_TIME_FOR_THERMAL_MANAGEMENT_TEMPERATURE_1,
    "thm_temp2_total_time": nvme.TOTAL_TIME_FOR_THERMAL_MANAGEMENT_TEMPERATURE_2,
}


@pytest.mark.parametrize(
    ("structure", "ours"),
    [
        ("nvme_id_ctrl", IDENTIFY_MEMBERS),
        ("nvme_id_power_state", POWER_STATE_MEMBERS),
        ("nvme_smart_log", HEALTH_MEMBERS),
        ("nvme_fw_slot_info_log", {"afi": nvme.ACTIVE_FIRMWARE_INFO}),
    ],
)
def test_drive_structures_are_laid_out_as_in_the_kernel(
    nvme_header: str, structure: str, ours: dict[str, Layout | nvme.TextField]
) -> None:
    """Each number and text of a drive's structures has the place and size of the kernel's member."""
    kernel = members(nvme_header, structure)
    compared = [name for name in ours if name in kernel]
    assert len(compared) > 0.8 * len(ours), f"the kernel renamed most of {structure}"
    assert {name: kernel[name] for name in compared} == {
        name: (ours[name].offset, ours[name].size) for name in compared
    }


def test_drive_structures_hold_what_comes_in_rows(nvme_header: str) -> None:
    """Power states, temperature sensors and firmware revisions fill the kernel's arrays exactly."""
    states = (nvme.POWER_STATES_OFFSET, nvme.POWER_STATE_COUNT * nvme.POWER_STATE_SIZE)
    assert members(nvme_header, "nvme_id_ctrl")["psd"] == states
    sensors = nvme.TEMPERATURE_SENSORS
    assert members(nvme_header, "nvme_smart_log")["temp_sensor"] == (
        sensors[0].offset,
        sum(sensor.size for sensor in sensors),
    )
    revisions = nvme.FIRMWARE_SLOT_REVISIONS
    assert members(nvme_header, "nvme_fw_slot_info_log")["frs"] == (
        revisions[0].offset,
        sum(revision.size for revision in revisions),
    )
    for structure, size in (
        ("nvme_id_ctrl", nvme.IDENTIFY_CONTROLLER_SIZE),
        ("nvme_smart_log", nvme.LOG_SIZE),
        ("nvme_fw_slot_info_log", nvme.LOG_SIZE),
    ):
        assert sum(length for _, length in members(nvme_header, structure).values()) == size
