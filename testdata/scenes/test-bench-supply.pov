#version 3.7;
// A repaired recorder on its soak test, run from the bench supply.
#declare Rad = 1;
#include "bench.inc"
#include "devices.inc"
Cam(<-170, 280, -560>, <30, 62, -40>, 47, <30, 70, -130>, 8)
Studio(560, 0.85, 0.30)
Wood(-3)
object { RBox(<-420, -3, -330>, <420, 0, 330>, 1.4) texture { pigment { srgb <0.22,0.36,0.47> } normal { bumps 0.2 scale 3 } finish { diffuse 0.8 specular 0.08 roughness 0.1 } } }
union { Supply("12.00", "0.348") rotate y*10 translate <-50, 0, 90> }
union { Recorder(1) rotate y*-22 translate <176, 0, -120> }
// leads from the posts to the recorder's supply inlet
#macro Lead(X, C, O)
  union { cylinder { <X, 36, -116>, <X, 36, -146>, 5 T_Plastic(C, 0.5) } rotate y*10 translate <-50, 0, 90> }
  #local q = vrotate(<X, 36, -146>, y*10)+<-50, 0, 90>;
  #local P = array[6] { q, q+<2, -6, -26>, <30+O*2, 6+O, -150-O>, <70, 4, -196-O*2>, <110, 5, -210-O>, <158, 14, -196> }
  object { Wire(P, 6, 2.3) T_Plastic(C, 0.5) }
#end
Lead(0, <0.07,0.07,0.075>, 0) Lead(76, <0.70,0.05,0.05>, 9)
