package feature
import ("testing";"fmt";"diastole/model/pump";"os")
func TestZZ(t *testing.T){
 c:=condition{"generic-one-inch",pump.AirValveSticking,1}
 x:=traceOf(t,c.model,c.fault,c.size,20,1)
 os.Setenv("ZZ","1")
 found:=decode(modelSettings(t,c.model),x.chunks(200,0.005,1),20)
 fmt.Println("truth")
 for _,e:=range x.edges{ f:=nearest(found,e); fmt.Printf("%.3f %+.3f\n",e,f-e)}
 for _,f:=range found{ e:=nearest(x.edges,f); if f-e>0.05||f-e< -0.05 {fmt.Printf("extra %.3f\n",f)}}
}
