#version 3.7;
// A repaired bench supply on its soak test: 15 V and 3 A into a load resistor.
#declare Rad = 1;
#include "bench.inc"
#include "devices.inc"
Cam(<-170, 280, -560>, <30, 62, -40>, 47, <30, 70, -130>, 8)
Studio(560, 0.85, 0.30)
Wood(-3)
object { RBox(<-420, -3, -330>, <420, 0, 330>, 1.4) texture { pigment { srgb <0.18,0.34,0.30> } normal { bumps 0.2 scale 3 } finish { diffuse 0.8 specular 0.08 roughness 0.1 } } }
union { Supply("15.00", "3.000") rotate y*10 translate <-50, 0, 90> }
#declare T_Alu = texture { pigment { srgb <0.66,0.67,0.69> } normal { bumps 0.05 scale <4, 0.2, 6> } finish { diffuse 0.42 specular 0.5 roughness 0.05 metallic reflection { 0.16 metallic } } }
// the load: a resistor in a finned housing, a screw terminal at each end
union {
  union {
    object { RBox(<-58, 8, -24>, <58, 14, 24>, 1) }
    #local i = 0; #while (i < 7) object { RBox(<-58, 12, -22+i*6.6>, <58, 34-2*abs(i-3), -19+i*6.6>, 0.6) } #local i = i+1; #end
    object { RBox(<-66, 0, -30>, <66, 8, 30>, 2) }
    texture { T_Alu }
  }
  box { <-24, 34, -10>, <24, 34.4, 10> texture { T_Print } }
  object { Letters("5 ohm 100 W", 6, 0.1) translate <0, 34.5, 0> texture { T_Hole } }
  cylinder { <-74, 18, 0>, <-58, 18, 0>, 5 texture { T_Gold } } cylinder { <58, 18, 0>, <74, 18, 0>, 5 texture { T_Gold } }
  rotate y*-22 translate <160, 0, -120>
}
#macro Lead(X, C, T, O)
  union { cylinder { <X, 36, -116>, <X, 36, -146>, 5 T_Plastic(C, 0.5) } rotate y*10 translate <-50, 0, 90> }
  #local q = vrotate(<X, 36, -146>, y*10)+<-50, 0, 90>;
  #local e = vrotate(T, y*-22)+<160, 0, -120>;
  #local P = array[6] { q, q+<2, -6, -26>, <20+O*2, 5+O, -150-O>, (<20, 6, -150>+e)/2+<0, -8, -18-O>, e+<(O>0?14:-12), -4, -18>, e }
  object { Wire(P, 6, 2.3) T_Plastic(C, 0.5) }
#end
Lead(0, <0.07,0.07,0.075>, <-72, 18, 0>, 0) Lead(76, <0.70,0.05,0.05>, <72, 18, 0>, 9)
