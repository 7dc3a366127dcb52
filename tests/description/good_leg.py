"""A small correct leg, stand and bench as text, to be broken by the tests."""

LEG = """\
leg: try-1
geometry: {hip_offset: "0 mm", thigh: "160 mm", shank: "150 mm", knee_bends: backward}
joints:
  hip:
    drive:
      protocol: cia402
      node: 1
      eds: axis.eds
      counts_per_turn: 65536
      rated_torque: "4 N*m"
      sign: +1
      stiffness: "120 N*m/rad"
      damping: "2 N*m*s/rad"
      vendor: 0x1F
    travel: ["-80 deg", "81 deg"]
    limits: {position: ["-78 deg", "78 deg"], speed: "12 rad/s", torque: "12 N*m"}
    home: {stop: low, torque: "1.8 N*m", speed: "0.5 rad/s"}
  knee:
    drive:
      protocol: cia402
      node: 2
      eds: axis.eds
      counts_per_turn: 65536
      rated_torque: "4 N*m"
      sign: -1
      stiffness: "120 N*m/rad"
      damping: "2 N*m*s/rad"
    travel: ["-130 deg", "4 deg"]
    limits: {position: ["-128 deg", "2 deg"], speed: "11 rad/s", torque: "13 N*m"}
    home: {stop: high, torque: "1.7 N*m", speed: "0.4 rad/s"}
coupling:
  knee: {knee: 1, hip: -1}
decision: {rule: guarded, coverage: 95 %}
criteria:
  backlash: {at_most: "0.5 deg"}
  holding_torque_ratio: {between: ["0.9", "1.1"]}
  own:
    cable_pull: {kind: force, at_least: "3 N"}
  knee:
    backlash: {at_most: "0.7 deg"}
simulation:
  thigh_mass: "700 g"
"""

STAND = """\
stand: try-stand
carriage_mass: "1.2 kg"
hip_height: "520 mm"
measures: {catch: slings, brake_clamp: screw clamp, emergency_stop: button, fence: none}
simulation: {stiffness: "20 N/mm", damping_ratio: 3 %}
"""

BENCH = """\
bench: try-bench
stand: stand.yaml
bus: {interface: slcan, channel: /dev/ttyACM0, bit_rate: "1 Mbit/s", rate: "250 /s"}
heartbeat: {every: "20 ms", loss: "100 ms"}
known_mass: {mass: "1.000 kg", uncertainty: "2 g"}
protection:
  leg_mass: "1.9 kg"
  emergency_stop: {actuator: latching, distance: "0.6 m", cuts: all supplies}
  enabling_device: {positions: 3, cuts: motor supply}
  fence: none
  catch: {drop: "15 mm", stretch: "60 mm", rated_force: "400 N"}
  brake_clamp: {holding_force: "300 N"}
  supply: {voltage: ["23 V", "25 V"], current_limit: "10 A"}
  braking: {capacitance: "10 mF", voltage_limit: "56 V", clamp_power: none, rotor_inertia: "0.012 kg*m^2"}
  anchorage: {rated_force: "500 N", rated_moment: "150 N*m"}
  supply_switch: {opens_after: "80 ms"}
  adapter: serial number 20311
"""
