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
"""
