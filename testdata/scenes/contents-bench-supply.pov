#version 3.7;
// Contents of a parcel laid out: a bench supply, its mains lead and two leads.
// shows: supply, mains lead, red lead, black lead
#declare Rad = 1;
#include "bench.inc"
#include "devices.inc"
Cam(<-210, 290, -560>, <10, 60, -44>, 46, <0, 90, -120>, 8)
Studio(560, 0.95, 0.38)
Wood(-3)
object { RBox(<-420, -3, -330>, <420, 0, 330>, 1.4) texture { pigment { srgb <0.18,0.34,0.30> } normal { bumps 0.2 scale 3 } finish { diffuse 0.8 specular 0.08 roughness 0.1 } } }
union { Supply("    ", "    ") rotate y*12 translate <-20, 0, 60> }
#macro Lead(C, Z)
  #local P = array[7] { <-130, 5, -170+Z>, <-80, 3, -200+Z>, <0, 3, -178+Z>, <60, 3, -214+Z>, <130, 3, -190+Z>, <190, 4, -150+Z>, <220, 4, -170+Z> }
  object { Wire(P, 7, 2.2) T_Plastic(C, 0.5) }
  union { cylinder { <-30,0,0>, <0,0,0>, 5 T_Plastic(C, 0.5) } cylinder { <-48,0,0>, <-30,0,0>, 2 texture { T_Gold } } rotate y*-24 translate <-130, 5, -170+Z> }
  union { cone { 0, 3.4, <34,0,0>, 5.2 T_Plastic(C, 0.5) } object { RBox(<32, -4, -3>, <58, -1, 3>, 1) texture { T_Steel } } object { RBox(<32, 1, -3>, <58, 4, 3>, 1) texture { T_Steel } rotate z*-4 } rotate y*24 translate <220, 5.4, -170+Z> }
#end
Lead(<0.70,0.05,0.05>, 10) Lead(<0.07,0.07,0.075>, -24)
#local P = array[9] { <236, 9, 116>, <290, 5, 90>, <330, 4, 20>, <290, 4, -40>, <226, 5, -30>, <214, 5, 30>, <270, 8, 60>, <310, 10, 10>, <262, 9, -86> }
object { Wire(P, 9, 4) texture { T_Rubber } }
union { Coupler() rotate y*-158 translate <236, 0, 116> }
union { Plug() rotate y*120 translate <262, -2, -86> }
