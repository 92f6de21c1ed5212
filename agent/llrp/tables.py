"""The standard's enumerations, by its own names and numbers (llrp-1x1-def.xml; 1.0.1's are a subset of them).

Records carry plain integers, since a reader may know more than we do; these say what they mean.
"""

from __future__ import annotations

from enum import IntEnum


class AirProtocols(IntEnum):
    """Which tags an inventory speaks to."""

    Unspecified = 0
    EPCGlobalClass1Gen2 = 1


class GetReaderCapabilitiesRequestedData(IntEnum):
    """What GET_READER_CAPABILITIES asks for."""

    All = 0
    General_Device_Capabilities = 1
    LLRP_Capabilities = 2
    Regulatory_Capabilities = 3
    LLRP_Air_Protocol_Capabilities = 4


class GetReaderConfigRequestedData(IntEnum):
    """What GET_READER_CONFIG asks for."""

    All = 0
    Identification = 1
    AntennaProperties = 2
    AntennaConfiguration = 3
    ROReportSpec = 4
    ReaderEventNotificationSpec = 5
    AccessReportSpec = 6
    LLRPConfigurationStateValue = 7
    KeepaliveSpec = 8
    GPIPortCurrentState = 9
    GPOWriteData = 10
    EventsAndReports = 11


class CommunicationsStandard(IntEnum):
    """The radio rules a reader is set up for."""

    Unspecified = 0
    US_FCC_Part_15 = 1
    ETSI_302_208 = 2
    ETSI_300_220 = 3
    Australia_LIPD_1W = 4
    Australia_LIPD_4W = 5
    Japan_ARIB_STD_T89 = 6
    Hong_Kong_OFTA_1049 = 7
    Taiwan_DGT_LP0002 = 8
    Korea_MIC_Article_5_2 = 9


class ROSpecState(IntEnum):
    """The three states of a ROSpec."""

    Disabled = 0
    Inactive = 1
    Active = 2


class ROSpecStartTriggerType(IntEnum):
    """What makes an enabled ROSpec active; Null: START_ROSPEC alone."""

    Null = 0
    Immediate = 1
    Periodic = 2
    GPI = 3


class ROSpecStopTriggerType(IntEnum):
    """What ends a ROSpec beside the end of its specs."""

    Null = 0
    Duration = 1
    GPI_With_Timeout = 2


class AISpecStopTriggerType(IntEnum):
    """What ends an antenna inventory."""

    Null = 0
    Duration = 1
    GPI_With_Timeout = 2
    Tag_Observation = 3


class ROReportTriggerType(IntEnum):
    """When a reader reports what it read; the last four are of 1.1."""

    None_ = 0
    Upon_N_Tags_Or_End_Of_AISpec_Or_End_Of_RFSurveySpec = 1
    Upon_N_Tags_Or_End_Of_ROSpec = 2
    Upon_N_Seconds_Or_End_Of_AISpec_Or_End_Of_RFSurveySpec = 3
    Upon_N_Seconds_Or_End_Of_ROSpec = 4
    Upon_N_Milliseconds_Or_End_Of_AISpec_Or_End_Of_RFSurveySpec = 5
    Upon_N_Milliseconds_Or_End_Of_ROSpec = 6


class KeepaliveTriggerType(IntEnum):
    """Whether the reader sends keepalives."""

    Null = 0
    Periodic = 1


class GPIPortState(IntEnum):
    """The level at an input."""

    Low = 0
    High = 1
    Unknown = 2


class NotificationEventType(IntEnum):
    """What a reader can be asked to tell."""

    Upon_Hopping_To_Next_Channel = 0
    GPI_Event = 1
    ROSpec_Event = 2
    Report_Buffer_Fill_Warning = 3
    Reader_Exception_Event = 4
    RFSurvey_Event = 5
    AISpec_Event = 6
    AISpec_Event_With_Details = 7
    Antenna_Event = 8
    SpecLoop_Event = 9


class ROSpecEventType(IntEnum):
    """What happened to a ROSpec."""

    Start_Of_ROSpec = 0
    End_Of_ROSpec = 1
    Preemption_Of_ROSpec = 2


class AISpecEventType(IntEnum):
    """What happened to an AISpec."""

    End_Of_AISpec = 0


class AntennaEventType(IntEnum):
    """What happened to an antenna."""

    Antenna_Disconnected = 0
    Antenna_Connected = 1


class ConnectionAttemptStatusType(IntEnum):
    """How a connection attempt ended."""

    Success = 0
    Failed_A_Reader_Initiated_Connection_Already_Exists = 1
    Failed_A_Client_Initiated_Connection_Already_Exists = 2
    Failed_Reason_Other_Than_A_Connection_Already_Exists = 3
    Another_Connection_Attempted = 4


class StatusCode(IntEnum):
    """How a request ended: M of the message, P of a parameter, A of a field's value, R of the reader."""

    M_Success = 0
    M_ParameterError = 100
    M_FieldError = 101
    M_UnexpectedParameter = 102
    M_MissingParameter = 103
    M_DuplicateParameter = 104
    M_OverflowParameter = 105
    M_OverflowField = 106
    M_UnknownParameter = 107
    M_UnknownField = 108
    M_UnsupportedMessage = 109
    M_UnsupportedVersion = 110
    M_UnsupportedParameter = 111
    P_ParameterError = 200
    P_FieldError = 201
    P_UnexpectedParameter = 202
    P_MissingParameter = 203
    P_DuplicateParameter = 204
    P_OverflowParameter = 205
    P_OverflowField = 206
    P_UnknownParameter = 207
    P_UnknownField = 208
    P_UnsupportedParameter = 209
    A_Invalid = 300
    A_OutOfRange = 301
    R_DeviceError = 401


class IdentificationType(IntEnum):
    """What a reader names itself by."""

    MAC_Address = 0
    EPC = 1


class AccessReportTriggerType(IntEnum):
    """When results of tag access are reported; this project never accesses a tag."""

    Whenever_ROReport_Is_Generated = 0
    End_Of_AccessSpec = 1


def name_of(enumeration: type[IntEnum], value: int) -> str:
    """The standard's name and the number: `M_FieldError (101)`; the number alone where the standard has no name."""
    named = enumeration._value2member_map_.get(value)
    return f"{named.name} ({value})" if named is not None else str(value)
